//! One file's measurements.

use crate::analysis;
use crate::capture::{Snippet, Watched};
use crate::fault::contained;
use crate::load::{self, LoadOptions};
use crate::report::Pictured;
use crate::{Error, MeasureOptions, Measurement};
use std::path::Path;

/// Every measurement of one capture; a fault of the program in it costs no other.
pub fn measurements(
    path: &Path,
    load_options: &LoadOptions,
    options: &MeasureOptions,
) -> Result<Vec<Measurement>, Error> {
    contained(|| {
        let mut measurements = Vec::new();
        for mut source in load::open(path, load_options)? {
            measurements.extend(analysis::measure(source.as_mut(), options)?);
        }
        Ok(measurements)
    })
}

/// The same with the first of the samples, for a picture.
pub fn pictured(
    path: &Path,
    load_options: &LoadOptions,
    options: &MeasureOptions,
) -> Result<Vec<Pictured>, Error> {
    contained(|| {
        let mut all = Vec::new();
        for mut source in load::open(path, load_options)? {
            let most = Snippet::frames(source.as_ref());
            let mut watched = Watched::new(source.as_mut(), most);
            let found = analysis::measure(&mut watched, options)?;
            let first = watched.into_capture()?;
            all.extend(found.into_iter().map(|measurement| {
                let mains_hz = measurement.mains.nominal_hz;
                Pictured {
                    snippet: Snippet::first_cycles(&first, &measurement.channel, mains_hz),
                    measurement,
                }
            }));
        }
        Ok(all)
    })
}

/// Channels that would be measured, as far as the files' own beginnings tell.
pub fn count_channels(path: &Path, load_options: &LoadOptions, chosen: usize) -> usize {
    let records = contained(|| load::open(path, load_options)).unwrap_or_default();
    records
        .iter()
        .map(|record| record.header().channels.len())
        .map(|channels| {
            if chosen > 0 {
                channels.min(chosen)
            } else {
                channels
            }
        })
        .sum()
}

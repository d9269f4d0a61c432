//! The picture of a separation.

use super::arguments::request::SeparateRequest;
use crate::analysis::{self, Detail, MainsChoice};
use crate::capture::{Capture, FirstFrames, FrameSource, MemorySource, Snippet, Watched};
use crate::report::plot::Sheet;
use crate::report::{Pictured, SeparatedPanel, separated_picture};
use crate::separation::{Keep, SeparateOptions, separate};
use crate::{Error, ErrorKind, MeasureOptions};

/// Frames of a record that the picture's spectra rest on.
const MOST_FRAMES: usize = 1 << 20;

/// Separates once more, keeping the first frames before and after, and measures what they hold.
pub fn drawn(
    request: &SeparateRequest,
    source: &mut dyn FrameSource,
    template: Option<&mut dyn FrameSource>,
) -> Result<Sheet, Error> {
    let mut watched = Watched::new(source, MOST_FRAMES);
    let mut cleaned = FirstFrames::new(MOST_FRAMES);
    let options = SeparateOptions {
        keep: Keep::Cleaned,
        ..request.separate.clone()
    };
    separate(&mut watched, template, &options, &mut cleaned)?;
    let (before, after) = (watched.into_capture()?, cleaned.into_capture()?);
    let channels = after.header().channels.len();
    let panels: Result<Vec<SeparatedPanel>, Error> = (0..channels)
        .map(|index| panel(request, &before, &after, index))
        .collect();
    Ok(separated_picture(&panels?))
}

fn panel(
    request: &SeparateRequest,
    before: &Capture,
    after: &Capture,
    index: usize,
) -> Result<SeparatedPanel, Error> {
    let name = &after.header().channels[index].name;
    let mut channels = before.header().channels.iter();
    let missing = || ErrorKind::NoSuchChannel.error(format!("no channel '{name}'"));
    let own = channels.position(|c| c.name == *name).ok_or_else(missing)?;
    let samples = |capture: &Capture, index| -> Result<Vec<f64>, Error> {
        let channel = capture.channel(index).ok_or_else(missing)?;
        Ok(channel.to_vec())
    };
    let (old, new) = (samples(before, own)?, samples(after, index)?);
    let out: Vec<f64> = old.iter().zip(&new).map(|(a, b)| a - b).collect();
    let one = |samples: Vec<f64>| {
        let mut header = after.header().clone();
        header.channels = vec![header.channels[index].clone()];
        let row = ndarray::Array2::from_shape_vec((1, samples.len()), samples);
        let row = row.map_err(|error| ErrorKind::BadValue.error(error.to_string()))?;
        Capture::new(header, row)
    };
    let mut mains = request.separate.mains;
    let mut part = |samples: Vec<f64>| -> Result<Pictured, Error> {
        let capture = one(samples)?;
        let options = MeasureOptions {
            mains,
            confidence: request.separate.confidence,
            detail: Detail {
                spectrum: true,
                ..Detail::default()
            },
            ..MeasureOptions::default()
        };
        let mut found = analysis::measure(&mut MemorySource::new(&capture), &options)?;
        let measurement = found.pop().ok_or_else(missing)?;
        let nominal_hz = measurement.mains.nominal_hz;
        mains = MainsChoice::Nominal(nominal_hz);
        Ok(Pictured {
            snippet: Snippet::first_cycles(&capture, name, nominal_hz),
            measurement,
        })
    };
    Ok(SeparatedPanel {
        before: part(old)?,
        after: part(new)?,
        taken_out: part(out)?,
    })
}

//! What the whole record's measurement says of the channels whose series is separated.

use super::offsets::{Offsets, find_offsets};
use super::overheard::Overheard;
use super::plan::Plan;
use crate::Error;
use crate::analysis::{HIGHEST_CONFIDENCE, MeasureOptions, Measurement, measure_channels};
use crate::capture::FrameSource;
use crate::separation::options::SeparateOptions;
use crate::separation::result::Method;

/// A record before its chapters are worked: what is to be done, what a first pass showed, and the measurement of each channel
/// whose series is needed.
pub(crate) struct Prepared {
    pub(crate) plan: Plan,
    pub(crate) offsets: Offsets,
    pub(crate) measured: Vec<Option<Measurement>>,
}

/// Looks through a record and measures it: in one reading where it says at first how long it is.
pub(crate) fn prepared(
    source: &mut dyn FrameSource,
    mut template: Option<&mut dyn FrameSource>,
    options: &SeparateOptions,
) -> Result<Prepared, Error> {
    let stated = |source: &dyn FrameSource| {
        let frames = source.header().frames.and_then(|f| usize::try_from(f).ok());
        (frames, source.header().time_base.sample_rate_hz)
    };
    let before = stated(source);
    if let (Some(frames), _) = before {
        let template = template.as_mut().map(|t| &mut **t as &mut dyn FrameSource);
        let plan = Plan::new(source.header(), template, options, frames)?;
        let mut overheard = Overheard::new(source);
        let measured = measured(&mut overheard, &plan, options);
        if let Some(offsets) = overheard.offsets() {
            let offsets = offsets?;
            if offsets.frames == frames && stated(source) == before {
                return Ok(Prepared {
                    plan,
                    offsets,
                    measured,
                });
            }
        }
    }
    let offsets = find_offsets(source)?;
    let plan = Plan::new(source.header(), template, options, offsets.frames)?;
    let measured = measured(source, &plan, options);
    Ok(Prepared {
        plan,
        offsets,
        measured,
    })
}

/// Measures each channel, by its index, whose series `plan` needs; `None` for others and for those that are refused (too
/// short, too much missing).
fn measured(
    source: &mut dyn FrameSource,
    plan: &Plan,
    options: &SeparateOptions,
) -> Vec<Option<Measurement>> {
    let mut found = vec![None; source.header().channels.len()];
    let wanted: Vec<usize> = match plan.method {
        Method::Harmonic | Method::Template => plan.targets.clone(),
        Method::Reference => plan.others.clone(),
        Method::Difference => return found,
    };
    let settings = MeasureOptions {
        mains: options.mains,
        harmonics: options
            .harmonics
            .unwrap_or(MeasureOptions::default().harmonics),
        confidence: options.confidence.min(HIGHEST_CONFIDENCE),
        ..MeasureOptions::default()
    };
    let mut put = |wanted: &[usize]| {
        let measurements = measure_channels(source, &settings, wanted);
        let refused = measurements.is_err();
        for (channel, measurement) in wanted.iter().zip(measurements.into_iter().flatten()) {
            found[*channel] = Some(measurement);
        }
        refused
    };
    // One channel that is refused costs the others nothing.
    if put(&wanted) && wanted.len() > 1 {
        for channel in wanted {
            put(&[channel]);
        }
    }
    found
}

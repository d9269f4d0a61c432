//! What the whole record's measurement says of the channels whose series is separated.

use super::plan::Plan;
use crate::analysis::{HIGHEST_CONFIDENCE, MeasureOptions, Measurement, measure_channels};
use crate::capture::FrameSource;
use crate::separation::options::SeparateOptions;
use crate::separation::result::Method;

/// Measures each channel, by its index, whose series `plan` needs; `None` for others and for those that are refused (too
/// short, too much missing).
pub(crate) fn measured(
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

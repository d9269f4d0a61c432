//! Frequencies of many segments, each with what its neighbours know.

use super::remainder::Transform;
use super::segment::{FitSettings, SegmentFit};
use super::track::{Observation, SmoothTrack};
use crate::parallel::*;

/// Fits every segment: one Gauss-Newton step each from `start`, the frequencies smoothed over the
/// record, then again from there until the track stands, and amplitudes at the smoothed frequencies.
pub(crate) fn fit_smoothed(
    settings: &FitSettings,
    transforms: &[impl Transform],
    centre: &(dyn Fn(usize) -> f64 + Sync),
    start: f64,
    rate_hz: f64,
) -> Vec<SegmentFit> {
    let fits_at = |fundamentals: &[f64]| -> Vec<SegmentFit> {
        let fit = |(i, transform)| settings.fit_at(transform, centre(i), fundamentals[i]);
        transforms.par_iter().enumerate().filter_map(fit).collect()
    };
    let mut fundamentals = vec![start; transforms.len()];
    for round in 0..4 {
        let fits = fits_at(&fundamentals);
        if fits.len() != transforms.len() {
            return fits;
        }
        let observations: Vec<Observation> = fits
            .iter()
            .map(|f| Observation {
                time_s: f.centre / rate_hz,
                phase: 0.0,
                phase_variance: f64::INFINITY,
                frequency_hz: (f.fit.fundamental + f.step.step - start) * rate_hz,
                frequency_variance: f.step.variance * rate_hz * rate_hz,
            })
            .collect();
        let track = SmoothTrack::new(&observations);
        let mut moved: f64 = 0.0;
        for ((fundamental, state), fit) in fundamentals.iter_mut().zip(&track.states).zip(&fits) {
            let next =
                (start + state.frequency_hz / rate_hz).clamp(settings.range.0, settings.range.1);
            moved = moved.max((next - *fundamental).abs() / fit.step.variance.sqrt().max(1e-12));
            *fundamental = next;
        }
        if round > 0 && moved < 0.02 {
            break;
        }
    }
    fits_at(&fundamentals)
}

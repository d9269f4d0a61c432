//! What the converter's rounding can have made.

use crate::WarningCode;
use crate::analysis::measurement::{Measurement, Noise, Tone};
use crate::analysis::record::rounding_line;
use crate::analysis::stream::{RecordFit, is_coarse};
use crate::stats::Estimate;

/// The noise's deviation, the rounding's own taken off a residual.
pub(super) fn unrounded(step: f64, residual_rms: f64) -> f64 {
    (residual_rms * residual_rms - step * step / 12.0)
        .max(0.0)
        .sqrt()
}

/// Largest peak of a line that rounding can have made of the hum; 0 where the noise is above half a step, and where rounding
/// is noise.
pub(super) fn rounded_line(step: Option<f64>, fit: &RecordFit) -> f64 {
    let Some(step) = step.filter(|_| is_coarse(step, fit.residual_rms)) else {
        return 0.0;
    };
    let strongest = fit
        .combined
        .harmonics
        .iter()
        .map(|h| h.amplitude.norm())
        .chain(
            fit.tones
                .iter()
                .filter_map(|t| Some(t.combined.harmonics.first()?.amplitude.norm())),
        )
        .fold(0.0, f64::max);
    rounding_line(step, unrounded(step, fit.residual_rms), strongest)
}

/// Tones that rounding can have made, up to an RMS of `rounding`, are rounding noise.
pub(super) fn return_to_noise(noise: &mut Noise, tones: &mut Vec<Tone>, rounding: f64) {
    let band = noise.band_hz;
    let within = |t: &Tone| t.frequency_hz.value >= band.0 && t.frequency_hz.value <= band.1;
    let power: f64 = tones
        .iter()
        .filter(|t| t.rms.value <= rounding && within(t))
        .map(|t| t.rms.value.powi(2))
        .sum();
    tones.retain(|t| t.rms.value > rounding);
    let per_root = 1.0 / (band.1 - band.0).max(f64::MIN_POSITIVE).sqrt();
    for (figure, scale) in [
        (&mut noise.rms, 1.0),
        (&mut noise.density_v_per_rthz, per_root),
    ] {
        let own = power.sqrt() * scale;
        figure.value = figure.value.hypot(own);
        figure.low = figure.low.hypot(own);
        figure.high = figure.high.hypot(own);
    }
}

/// Widens what was fitted by least squares by the lines that rounding can have made.
pub(super) fn widen(estimate: &mut Estimate, by: f64) {
    estimate.low = (estimate.low - by).max(0.0);
    estimate.high += by;
    estimate.standard_uncertainty = estimate.standard_uncertainty.hypot(by / 3f64.sqrt());
}

/// Noise under half a step is bounded, not read: from nothing to what was seen and a step's own rounding noise.
pub(super) fn bound_by_step(measurement: &mut Measurement) {
    let coarse = measurement
        .quality
        .warnings
        .iter()
        .any(|w| w.code == WarningCode::CoarseQuantization);
    let Some(step) = measurement.quality.lsb.filter(|_| coarse) else {
        return;
    };
    let rounding = step / 12f64.sqrt();
    let width = (measurement.noise.band_hz.1 - measurement.noise.band_hz.0).max(f64::MIN_POSITIVE);
    let noise = &mut measurement.noise;
    noise.rms.low = 0.0;
    noise.rms.high = noise.rms.high.hypot(rounding);
    noise.density_v_per_rthz.low = 0.0;
    noise.density_v_per_rthz.high = noise.rms.high / width.sqrt();
}

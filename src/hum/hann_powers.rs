//! The Hann-weighted spectrum of a record, between bins as well.

use super::lowered::Lowering;
use crate::spectrum::fft::forward;
use crate::spectrum::hann;
use rustfft::num_complex::Complex64;

/// Fewest samples that have a spectrum.
const LEAST_SAMPLES: usize = 16;
/// Bins for each cell of 1/T.
const PADDING: usize = 4;
/// Shortest transform of which the low part alone is made.
const LEAST_LENGTH: usize = 1024;

/// Powers of the bins from zero frequency upwards.
#[derive(Debug, Clone)]
pub(super) struct HannPowers {
    pub(super) power: Vec<f64>,
    pub(super) bin_hz: f64,
    /// Of the Hann window with the same noise bandwidth (1.5 cells), for weights that leave a part of the record.
    pub(super) duration_s: f64,
    /// From the root of a bin's power to the RMS of a sine.
    pub(super) to_rms: f64,
}

impl HannPowers {
    /// Of `samples` less their straight line, up to `top_hz`. `weights` (0 to 1) lessen what is not to be trusted. `None`
    /// where there is nothing to look at, or the transform fails.
    pub(super) fn new(
        samples: &[f64],
        weights: Option<&[f64]>,
        rate_hz: f64,
        top_hz: f64,
    ) -> Option<Self> {
        let count = samples.len();
        if count < LEAST_SAMPLES || !(rate_hz > 0.0) {
            return None;
        }
        // Not a multiple of the length, or the cells would lie where a line of whole cycles has no skirt.
        let length = (PADDING * count).next_power_of_two();
        let (mut windowed, (sum, squares)) = windowed(samples, weights);
        let lowering = Lowering::new(rate_hz, top_hz, length / LEAST_LENGTH);
        match lowering.factor {
            1 => windowed.resize(length, 0.0),
            factor => windowed = lowering.apply(&windowed, length / factor),
        }
        let plan = forward(windowed.len());
        let mut bins = plan.make_output_vec();
        plan.process(&mut windowed, &mut bins).ok()?;
        let bin_hz = rate_hz / length as f64;
        let top = ((top_hz / bin_hz) as usize).min(bins.len() - 1);
        Some(Self {
            power: bins[..=top].iter().map(Complex64::norm_sqr).collect(),
            bin_hz,
            duration_s: 1.5 * sum * sum / squares.max(f64::MIN_POSITIVE) / rate_hz,
            to_rms: 2.0f64.sqrt() / sum,
        })
    }
}

/// Samples less their straight line, weighted; Σw and Σw².
fn windowed(samples: &[f64], weights: Option<&[f64]>) -> (Vec<f64>, (f64, f64)) {
    let count = samples.len();
    let middle = 0.5 * (count as f64 - 1.0);
    let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
    let (mut total, mut mean, mut centre) = (0.0, 0.0, 0.0);
    for (i, x) in samples.iter().enumerate() {
        let w = weight(i);
        total += w;
        mean += w * x;
        centre += w * (i as f64 - middle);
    }
    let total = f64::max(total, f64::MIN_POSITIVE);
    (mean, centre) = (mean / total, centre / total);
    let (mut cross, mut spread) = (0.0, 0.0);
    for (i, x) in samples.iter().enumerate() {
        let t = i as f64 - middle - centre;
        cross += weight(i) * t * (x - mean);
        spread += weight(i) * t * t;
    }
    let slope = cross / f64::max(spread, f64::MIN_POSITIVE);
    let (mut sum, mut squares) = (0.0, 0.0);
    let out = samples
        .iter()
        .zip(hann(count))
        .enumerate()
        .map(|(i, (x, hann))| {
            let w = weight(i) * hann;
            sum += w;
            squares += w * w;
            w * (x - mean - slope * (i as f64 - middle - centre))
        })
        .collect();
    (out, (sum, squares))
}

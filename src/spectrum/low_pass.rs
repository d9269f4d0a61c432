//! Low-passes in front of a lower rate.

use crate::numeric::bessel_i0;
use std::f64::consts::PI;

/// Kaiser shape for 80 dB of stop band, and for 160.
const BETA: f64 = 7.86;
const DEEP_BETA: f64 = 16.67;

/// `length` taps, an odd number, of a low-pass with its edge at half of what a `factor` makes of the rate: a sinc under a
/// Kaiser window with 80 dB of stop band (J. F. Kaiser, 1974).
pub(crate) fn low_pass(length: usize, factor: usize) -> Vec<f64> {
    windowed_sinc(length, factor, BETA)
}

/// The same with 160 dB, over twice the transition.
pub(crate) fn deep_low_pass(length: usize, factor: usize) -> Vec<f64> {
    windowed_sinc(length, factor, DEEP_BETA)
}

fn windowed_sinc(length: usize, factor: usize, beta: f64) -> Vec<f64> {
    let middle = 0.5 * (length as f64 - 1.0);
    let out = 1.0 / factor as f64;
    let mut taps: Vec<f64> = (0..length)
        .map(|i| {
            let m = i as f64 - middle;
            let sinc = if m == 0.0 {
                out
            } else {
                (PI * out * m).sin() / (PI * m)
            };
            let inside = 1.0 - (m / (middle + 1.0)).powi(2);
            sinc * bessel_i0(beta * inside.max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|tap| *tap /= sum);
    taps
}

/// Gain of symmetric taps at ν cycles per sample.
pub(crate) fn low_pass_gain(taps: &[f64], cycles_per_sample: f64) -> f64 {
    let middle = 0.5 * (taps.len() as f64 - 1.0);
    taps.iter()
        .enumerate()
        .map(|(i, tap)| tap * (2.0 * PI * cycles_per_sample * (i as f64 - middle)).cos())
        .sum()
}

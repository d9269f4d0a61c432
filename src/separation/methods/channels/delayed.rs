//! A channel delayed by any fraction of a sample, also by one that changes.

use crate::spectrum::fft;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Samples by which a channel is continued beyond its ends before it is delayed.
const CONTINUED: usize = 64;

/// `x` later by `delay` samples; beyond its ends it goes on at its first and last value.
pub(crate) fn delayed(x: &[f64], delay: f64) -> Vec<f64> {
    let n = x.len();
    let lag = delay.round();
    let part = delay - lag;
    let shifted = if part == 0.0 || n < 4 {
        x.to_vec()
    } else {
        by_a_part(x, part)
    };
    let lag = lag as i64;
    (0..n as i64)
        .map(|i| shifted[(i - lag).clamp(0, n as i64 - 1) as usize])
        .collect()
}

/// Terms of the series by which a sample is moved: up to half a sample at half the rate, (π/2)^k/k! is 5·10⁻⁷ for the last.
const TERMS: usize = 13;

/// `x` later by a delay in samples that changes with time, given for each sample of what comes out; beyond its ends it goes on at its
/// first and last value.
///
/// A sample is moved from the nearest whole delay by its Taylor series, x(t−ε) = Σ (−ε)^k x⁽ᵏ⁾(t)/k!, the derivatives being those
/// of the continued record below half the rate.
pub(crate) fn warped(x: &[f64], delay: &dyn Fn(usize) -> f64) -> Vec<f64> {
    let n = x.len();
    let places: Vec<(usize, f64)> = (0..n)
        .map(|i| {
            let delay = delay(i);
            let lag = delay.round();
            let at = (i as f64 - lag).clamp(0.0, n.saturating_sub(1) as f64);
            (at as usize, lag - delay)
        })
        .collect();
    let mut out: Vec<f64> = places.iter().map(|(at, _)| x[*at]).collect();
    if n < 4 || places.iter().all(|(_, part)| *part == 0.0) {
        return out;
    }
    let continued = Continued::new(x);
    let mut powers: Vec<f64> = vec![1.0; n];
    for order in 1..TERMS {
        let slope = continued.through(|omega| Complex64::new(0.0, omega).powu(order as u32));
        for ((out, power), (at, part)) in out.iter_mut().zip(&mut powers).zip(&places) {
            *power *= part / order as f64;
            *out += *power * slope[*at];
        }
    }
    out
}

/// Later by less than a sample, exact for all frequencies below half the rate.
fn by_a_part(x: &[f64], part: f64) -> Vec<f64> {
    Continued::new(x).through(|omega| Complex64::from_polar(1.0, -omega * part))
}

/// The spectrum of a record that is continued by its point reflection at either end.
struct Continued {
    samples: usize,
    beyond: usize,
    size: usize,
    spectrum: Vec<Complex64>,
}

impl Continued {
    fn new(x: &[f64]) -> Self {
        let n = x.len();
        let beyond = CONTINUED.min(n - 1);
        let used = n + 2 * beyond;
        let size = (used + CONTINUED).next_power_of_two();
        let forward = fft::forward(size);
        let mut buffer = forward.make_input_vec();
        for i in 0..beyond {
            buffer[i] = 2.0 * x[0] - x[beyond - i];
            buffer[beyond + n + i] = 2.0 * x[n - 1] - x[n - 2 - i];
        }
        buffer[beyond..beyond + n].copy_from_slice(x);
        let (from, to) = (buffer[used - 1], buffer[0]);
        for i in used..size {
            let share = (i + 1 - used) as f64 / (size - used + 1) as f64;
            buffer[i] = from + (to - from) * share;
        }
        let mut spectrum = forward.make_output_vec();
        let mut scratch = forward.make_scratch_vec();
        fft::run_forward(&*forward, &mut buffer, &mut spectrum, &mut scratch);
        Self {
            samples: n,
            beyond,
            size,
            spectrum,
        }
    }

    /// The record through a filter that is given for a frequency in radians a sample.
    fn through(&self, filter: impl Fn(f64) -> Complex64) -> Vec<f64> {
        let inverse = fft::inverse(self.size);
        let scale = 1.0 / self.size as f64;
        let step = 2.0 * PI * scale;
        let mut spectrum: Vec<Complex64> = self
            .spectrum
            .iter()
            .enumerate()
            .map(|(i, z)| z * filter(step * i as f64) * scale)
            .collect();
        spectrum[0].im = 0.0;
        if let Some(last) = spectrum.last_mut() {
            last.im = 0.0;
        }
        let mut buffer = inverse.make_output_vec();
        let mut scratch = inverse.make_scratch_vec();
        fft::run_inverse(&*inverse, &mut spectrum, &mut buffer, &mut scratch);
        buffer[self.beyond..self.beyond + self.samples].to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cosine_near_half_the_rate_is_delayed_by_a_part_of_a_sample() {
        let wave = |i: f64| (2.0 * PI * 0.49 * i + 0.3).cos();
        let x: Vec<f64> = (0..4000).map(|i| wave(f64::from(i))).collect();
        let y = delayed(&x, 3.37);
        for i in 300..3700 {
            let off = (y[i] - wave(i as f64 - 3.37)).abs();
            // The sum of the sinc's tail beyond the nearer end, a hundredth below half the rate: 1/(2π²·0.01·d).
            let d = i.min(4000 - i) as f64;
            assert!(off < 1.0 / (2.0 * PI * PI * 0.01 * d), "{i}: {off}");
        }
    }

    /// As above, with a delay that grows by 50 parts per million and passes whole samples.
    #[test]
    fn a_cosine_near_half_the_rate_is_delayed_by_what_changes() {
        let wave = |t: f64| (2.0 * PI * 0.49 * t + 0.3).cos();
        let x: Vec<f64> = (0..40_000).map(|i| wave(f64::from(i))).collect();
        let delay = |i: usize| 1.3 + 5e-5 * i as f64;
        let y = warped(&x, &delay);
        for i in 300..39_700 {
            let off = (y[i] - wave(i as f64 - delay(i))).abs();
            let d = i.min(40_000 - i) as f64;
            // The derivatives' tails add up to no more than Σ (π/2)^k/k! of the sinc's.
            let terms = (0.5 * PI).exp();
            assert!(off < terms / (2.0 * PI * PI * 0.01 * d), "{i}: {off}");
        }
        let slow: Vec<f64> = (0..4000).map(|i| (0.02 * f64::from(i)).sin()).collect();
        let y = warped(&slow, &|i| 0.5 * (1e-3 * i as f64).sin());
        for i in 100..3900 {
            let t = i as f64 - 0.5 * (1e-3 * i as f64).sin();
            // A change of slope by 2·0.02 a sample, where the continuation ends, leaves 1/(π²d) of itself at a distance d.
            let d = i.min(4000 - i) as f64;
            assert!(
                (y[i] - (0.02 * t).sin()).abs() < 0.04 / (PI * PI * d),
                "{i}"
            );
        }
    }
}

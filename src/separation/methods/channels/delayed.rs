//! A channel delayed by any fraction of a sample.

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

/// Later by less than a sample, exact for all frequencies below half the rate; the record is continued by its
/// point reflection at either end.
fn by_a_part(x: &[f64], part: f64) -> Vec<f64> {
    let n = x.len();
    let beyond = CONTINUED.min(n - 1);
    let used = n + 2 * beyond;
    let size = (used + CONTINUED).next_power_of_two();
    let (forward, inverse) = (fft::forward(size), fft::inverse(size));
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
    let scale = 1.0 / size as f64;
    for (i, z) in spectrum.iter_mut().enumerate() {
        *z *= Complex64::from_polar(scale, -2.0 * PI * i as f64 * part / size as f64);
    }
    spectrum[0].im = 0.0;
    if let Some(last) = spectrum.last_mut() {
        last.im = 0.0;
    }
    let mut scratch = inverse.make_scratch_vec();
    fft::run_inverse(&*inverse, &mut spectrum, &mut buffer, &mut scratch);
    buffer[beyond..beyond + n].to_vec()
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
}

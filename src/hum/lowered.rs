//! Samples at a lower rate, for the low part of a spectrum.

use crate::numeric::{dot, vectorised};
use crate::spectrum::deep_low_pass;
use std::sync::OnceLock;

/// Largest factor, and the powers of two up to it.
const MOST: usize = 16;
const FACTORS: usize = 5;
/// Shares of the lower rate that are clean, and the taps for each step of the factor that this takes: 160 dB over what is left
/// between them and their aliases (Kaiser's rule: 10.6 over the transition's share of the lower rate).
const CLEAN: [(f64, usize); 2] = [(1.0 / 3.0, 32), (0.1, 14)];

/// A low-pass and the lower rate behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lowering {
    /// A power of two; 1 leaves the samples as they are.
    pub(super) factor: usize,
    /// Which of the clean shares.
    kind: usize,
}

impl Lowering {
    /// As far as a rate can be lowered, to a `most`-th at most, where nothing above `top_hz` is looked at.
    pub(super) fn new(rate_hz: f64, top_hz: f64, most: usize) -> Self {
        let fits = |factor: usize, kind: usize| CLEAN[kind].0 * rate_hz >= top_hz * factor as f64;
        let mut factor = 1;
        while factor < MOST.min(most) && fits(2 * factor, 0) {
            factor *= 2;
        }
        Self {
            factor,
            kind: usize::from(fits(factor, 1)),
        }
    }

    /// Every so many samples of what the low-pass makes of `samples`, `length` of them at least: over the clean share their
    /// transform is that of the samples, but for its phase and 160 dB of what was above.
    pub(super) fn apply(self, samples: &[f64], length: usize) -> Vec<f64> {
        static TAPS: [[OnceLock<Vec<f64>>; FACTORS]; 2] =
            [const { [const { OnceLock::new() }; FACTORS] }; 2];
        let Self { factor, kind } = self;
        let place = (factor.trailing_zeros() as usize).min(FACTORS - 1);
        let taps =
            TAPS[kind][place].get_or_init(|| deep_low_pass(CLEAN[kind].1 * factor + 1, factor));
        let beside = taps.len() - 1;
        let mut padded = vec![0.0; samples.len() + 2 * beside];
        padded[beside..beside + samples.len()].copy_from_slice(samples);
        let count = (samples.len() + beside).div_ceil(factor);
        let mut out = vec![0.0; length.max(count)];
        vectorised(
            #[inline(always)]
            || {
                for (value, window) in out
                    .iter_mut()
                    .zip(padded.windows(taps.len()).step_by(factor))
                {
                    *value = factor as f64 * dot(taps, window);
                }
            },
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::fft::forward;
    use rand::{RngExt, SeedableRng};
    use rustfft::num_complex::Complex64;

    fn powers(mut samples: Vec<f64>) -> Vec<f64> {
        let plan = forward(samples.len());
        let mut bins = plan.make_output_vec();
        plan.process(&mut samples, &mut bins).unwrap();
        bins.iter().map(Complex64::norm_sqr).collect()
    }

    #[test]
    fn the_low_part_of_the_spectrum_stays() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let (count, length) = (1500, 8192);
        // A line above the clean part, a hundred thousand times what the noise spans.
        let samples: Vec<f64> = (0..count)
            .map(|n| rng.random::<f64>() - 0.5 + 1e5 * (2.7 * f64::from(n)).sin())
            .map(|x| x * 1e-3)
            .collect();
        let quiet: Vec<f64> = samples
            .iter()
            .zip(crate::spectrum::hann(samples.len()))
            .map(|(x, w)| x * w)
            .collect();
        let mut whole = quiet.clone();
        whole.resize(length, 0.0);
        let whole = powers(whole);
        for (factor, kind) in [(2, 0), (4, 0), (16, 0), (4, 1), (16, 1)] {
            let low = powers(Lowering { factor, kind }.apply(&quiet, length / factor));
            let top = (CLEAN[kind].0 * (length / factor) as f64) as usize;
            // Of the noise in a bin, above which the line's peak stands by 135 dB: its alias is 25 dB below.
            let noise = 1e-6 / 12.0 * 0.375 * f64::from(count);
            for bin in 1..top {
                let error = (low[bin].sqrt() - whole[bin].sqrt()).abs();
                assert!(error < 0.06 * noise.sqrt(), "{factor} {kind} {bin} {error}");
            }
        }
    }

    #[test]
    fn rates_are_lowered_as_far_as_the_part_looked_at_stays_clean() {
        let lowering = |rate_hz, top_hz, most| Lowering::new(rate_hz, top_hz, most);
        assert_eq!(lowering(20_000.0, 2460.0, 64).factor, 2);
        assert_eq!(
            lowering(20_000.0, 100.0, 64),
            Lowering {
                factor: 16,
                kind: 1
            }
        );
        assert_eq!(
            lowering(20_000.0, 100.0, 4),
            Lowering { factor: 4, kind: 1 }
        );
        assert_eq!(lowering(5000.0, 2250.0, 64).factor, 1);
        assert_eq!(lowering(6.0, 1.0, 64).factor, 2);
    }
}

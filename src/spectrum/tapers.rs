//! Averaged eigenspectra of back-to-back records with three tapers of whole-bin sines and cosines.

use super::density::{Density, Multitaper};
use super::fft;
use crate::numeric::vectorised;
use realfft::RealToComplex;
use realfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

/// What a line leaves in the bins beside it, whatever the tapers.
pub trait Tapers {
    /// Number of tapers averaged.
    fn count(&self) -> usize;

    /// Share of white noise's power that removing one complex line takes from a bin `distance` bins
    /// away: the mean over the tapers of |T(x)|²/N.
    fn share(&self, distance: f64) -> f64;

    /// Adds the shares of bins one after the other, the first `distance` bins away.
    fn add_shares(&self, distance: f64, shares: &mut [f64]) {
        for (share, b) in shares.iter_mut().zip(0..) {
            *share += self.share(distance + f64::from(b));
        }
    }
}

impl Tapers for Multitaper {
    fn count(&self) -> usize {
        self.tapers()
    }

    fn share(&self, distance: f64) -> f64 {
        self.line_share(distance)
    }

    fn add_shares(&self, distance: f64, shares: &mut [f64]) {
        self.add_line_shares(distance, shares);
    }
}

/// Number of [`WholeBinTapers`].
const COUNT: usize = 3;

/// Power spectral density from one transform of each record's own length.
///
/// The tapers √(2/3)(1 − cos θ), √2 sin θ and √2 sin 2θ, θ = 2πn/N, are orthonormal (in the mean over the
/// record) and shift by whole bins, so that all three eigenspectra follow from the plain transform X:
/// ⅔|X₀ − ½(X₋₁ + X₊₁)|², ½|X₋₁ − X₊₁|² and ½|X₋₂ − X₊₂|². Records need no overlap: the sum of the squared tapers
/// weights them evenly to within a variance of 1.18, that of three sine tapers being 1.17. Side lobes fall by
/// 12 dB an octave. For spectra far from a record's strong lines and from 0 Hz, at half the cost of
/// [`Multitaper`]. Source of the method: D. B. Percival and A. T. Walden, Spectral Analysis for Physical
/// Applications, 1993, ch. 7.
#[derive(Clone)]
pub struct WholeBinTapers {
    length: usize,
    plan: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl fmt::Debug for WholeBinTapers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("WholeBinTapers")
            .field("length", &self.length)
            .finish_non_exhaustive()
    }
}

impl WholeBinTapers {
    /// For records of `length` samples, 16 at least.
    #[must_use]
    pub fn new(length: usize) -> Self {
        let length = length.max(16);
        let plan = fft::forward(length);
        Self {
            length,
            input: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// Adds the density of a record of as many finite samples to `sum`; gives the record's transform.
    pub fn accumulate(&mut self, samples: &[f64], sum: &mut Density) -> Option<&[Complex64]> {
        if samples.len() != self.length {
            return None;
        }
        self.input.copy_from_slice(samples);
        // The lengths come from the plan itself, so the transform cannot refuse them.
        self.plan
            .process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch)
            .ok()?;
        // One-sided, the mean of the tapers, each of unit mean square.
        let scale = 2.0 / (self.length as f64 * sum.sample_rate_hz * COUNT as f64);
        let bins = &self.bins;
        vectorised(
            #[inline(always)]
            || add_power(bins, scale, &mut sum.values),
        );
        sum.records += 1;
        Some(&self.bins)
    }

    /// An empty sum for records at this rate.
    #[must_use]
    pub fn start(&self, sample_rate_hz: f64) -> Density {
        Density {
            bin_hz: sample_rate_hz / self.length as f64,
            sample_rate_hz,
            values: vec![0.0; self.bins.len()],
            records: 0,
            tapers: COUNT,
        }
    }
}

impl Tapers for WholeBinTapers {
    fn count(&self) -> usize {
        COUNT
    }

    fn share(&self, distance: f64) -> f64 {
        let sinc = |x: f64| {
            if x.abs() < 1e-9 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            }
        };
        let pair = |bins: f64| sinc(distance - bins) - sinc(distance + bins);
        let hann = sinc(distance) + 0.5 * (sinc(distance - 1.0) + sinc(distance + 1.0));
        (2.0 / 3.0 * hann * hann + 0.5 * pair(1.0).powi(2) + 0.5 * pair(2.0).powi(2)) / COUNT as f64
    }
}

/// Adds the three eigenspectra's powers to all bins but the two at either end, which repeat their neighbours'.
#[inline(always)]
fn add_power(bins: &[Complex64], scale: f64, values: &mut [f64]) {
    let count = bins.len().min(values.len());
    if count < 5 {
        return;
    }
    for (value, near) in values[2..count - 2].iter_mut().zip(bins.windows(5)) {
        *value += scale * power(near);
    }
    for (end, inner) in [
        (0, 2),
        (1, 2),
        (count - 2, count - 3),
        (count - 1, count - 3),
    ] {
        values[end] += scale * power(&bins[inner - 2..inner + 3]);
    }
}

/// The three powers of the middle one of five bins.
#[inline(always)]
fn power(near: &[Complex64]) -> f64 {
    match near {
        [a, b, c, d, e] => {
            part([a.re, b.re, c.re, d.re, e.re]) + part([a.im, b.im, c.im, d.im, e.im])
        }
        _ => 0.0,
    }
}

#[inline(always)]
fn part([a, b, c, d, e]: [f64; 5]) -> f64 {
    let hann = c - 0.5 * (b + d);
    let (near, far) = (b - d, a - e);
    2.0 / 3.0 * hann * hann + 0.5 * (near * near + far * far)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand::{RngExt, SeedableRng};

    /// Uniform noise of variance 1/12 at 1 kS/s has 2·(1/12)/1000 V²/Hz. 200 records of 4096 samples leave a relative
    /// deviation of √(2·1.18/819200) = 0.0017 of the mean; five of them.
    #[test]
    fn white_noise_gives_its_density() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        let mut estimator = WholeBinTapers::new(4096);
        let mut sum = estimator.start(1000.0);
        for _ in 0..200 {
            let x: Vec<f64> = (0..4096).map(|_| rng.random::<f64>() - 0.5).collect();
            estimator.accumulate(&x, &mut sum);
        }
        let mean = sum.mean();
        let level = mean[2..mean.len() - 2].iter().sum::<f64>() / (mean.len() - 4) as f64;
        assert_relative_eq!(level, 2.0 / 12.0 / 1000.0, max_relative = 0.009);
    }

    /// A sine's whole power A²/2 stands in the bins about it, wherever it lies between two.
    #[test]
    fn a_line_keeps_its_power_and_its_shares() {
        let mut estimator = WholeBinTapers::new(1024);
        for place in [200.0, 200.3, 200.5] {
            let x: Vec<f64> = (0..1024)
                .map(|n| (2.0 * PI * place * f64::from(n) / 1024.0).cos())
                .collect();
            let mut sum = estimator.start(1.0);
            estimator.accumulate(&x, &mut sum);
            let power: f64 = sum.values.iter().sum::<f64>() * sum.bin_hz;
            assert_relative_eq!(power, 0.5, max_relative = 1e-3);
            for b in 196..=204 {
                let share = sum.values[b] * sum.bin_hz / 0.5;
                let expected = estimator.share(b as f64 - place);
                assert!(
                    (share - expected).abs() < 2e-3,
                    "{place} {b}: {share} {expected}"
                );
            }
        }
        let total: f64 = (-4000..=4000)
            .map(|i| estimator.share(f64::from(i) * 0.05) * 0.05)
            .sum();
        assert_relative_eq!(total, 1.0, max_relative = 1e-3);
    }
}

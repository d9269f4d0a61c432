//! One-sided power spectral density by sine tapers.

use super::fft;
use realfft::RealToComplex;
use realfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

/// Power spectral density estimator with J sine tapers, all from one FFT of twice the length.
///
/// The tapers √(2/(N+1)) sin(πj(n+1)/(N+1)), j = 1..J, are orthonormal; their eigenspectra are
/// averaged with equal weights. Each is the difference of two half-bin-shifted values of one
/// zero-padded transform. Source: K. S. Riedel and A. Sidorenko, IEEE Trans. Signal Processing
/// 43(1), 1995; D. B. Percival and A. T. Walden, Spectral Analysis for Physical Applications, 1993.
#[derive(Clone)]
pub struct Multitaper {
    length: usize,
    tapers: usize,
    plan: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    bins: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl fmt::Debug for Multitaper {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Multitaper")
            .field("length", &self.length)
            .field("tapers", &self.tapers)
            .finish_non_exhaustive()
    }
}

impl Multitaper {
    /// For records of up to `longest` samples; a few percent less are used where that makes the
    /// transform fast (see [`Multitaper::length`]).
    #[must_use]
    pub fn new(longest: usize, tapers: usize) -> Self {
        let padded = fft::good_length_to(2 * (longest + 1)).max(8);
        let length = padded / 2 - 1;
        let plan = fft::forward(padded);
        Self {
            length,
            tapers: tapers.clamp(1, (length / 4).max(1)),
            input: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// Samples that are used, from the middle of what is given.
    #[must_use]
    pub fn length(&self) -> usize {
        self.length
    }

    /// Number of tapers.
    #[must_use]
    pub fn tapers(&self) -> usize {
        self.tapers
    }

    /// Adds a record's density to `sum`.
    pub fn accumulate(&mut self, samples: &[f64], sum: &mut Density) {
        let used = samples.len().min(self.length);
        let skip = (samples.len() - used) / 2;
        self.input.fill(0.0);
        self.input[..used].copy_from_slice(&samples[skip..skip + used]);
        if self
            .plan
            .process_with_scratch(&mut self.input, &mut self.bins, &mut self.scratch)
            .is_err()
        {
            return;
        }
        let padded = self.input.len() as i64;
        let half = padded as f64 / 2.0;
        let bin = |index: i64| -> Complex64 {
            let within = index.rem_euclid(padded);
            if within <= padded / 2 {
                self.bins[within as usize]
            } else {
                self.bins[(padded - within) as usize].conj()
            }
        };
        // |taper·transform|² with the tapers' 2/(N+1), one-sided, a quarter from the sine's 1/(2i).
        let scale = 2.0 * (2.0 / half) * 0.25 / (sum.sample_rate_hz * self.tapers as f64);
        let turns: Vec<Complex64> = (0..=self.tapers)
            .map(|j| Complex64::cis(PI * j as f64 / half))
            .collect();
        let last = self.bins.len() as i64 - 1;
        for (b, total) in sum.values.iter_mut().enumerate() {
            let m = 2 * b as i64;
            let mut power = 0.0;
            let inside = m - self.tapers as i64 >= 0 && m + self.tapers as i64 <= last;
            for (j, turn) in turns.iter().enumerate().skip(1) {
                let (low, high) = if inside {
                    (self.bins[m as usize - j], self.bins[m as usize + j])
                } else {
                    (bin(m - j as i64), bin(m + j as i64))
                };
                power += (turn * low - turn.conj() * high).norm_sqr();
            }
            *total += power * scale;
        }
        sum.records += 1;
    }

    /// An empty sum for records at this rate.
    #[must_use]
    pub fn start(&self, sample_rate_hz: f64) -> Density {
        let padded = self.input.len();
        Density {
            bin_hz: 2.0 * sample_rate_hz / padded as f64,
            sample_rate_hz,
            values: vec![0.0; padded / 4 + 1],
            records: 0,
            tapers: self.tapers,
        }
    }

    /// The density of one record.
    #[must_use]
    pub fn density(&mut self, samples: &[f64], sample_rate_hz: f64) -> Density {
        let mut sum = self.start(sample_rate_hz);
        self.accumulate(samples, &mut sum);
        sum
    }

    /// Share of white noise's power that removing one complex line takes from a bin `distance` bins
    /// away: the mean over the tapers of |T(x)|²/N.
    #[must_use]
    pub fn line_share(&self, distance: f64) -> f64 {
        let sinc = |x: f64| {
            if x.abs() < 1e-9 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            }
        };
        let sum: f64 = (1..=self.tapers)
            .map(|j| {
                let h = 0.5 * j as f64;
                let other = if j % 2 == 1 {
                    sinc(distance + h)
                } else {
                    -sinc(distance + h)
                };
                0.5 * (sinc(distance - h) + other).powi(2)
            })
            .sum();
        sum / self.tapers as f64
    }
}

/// A sum of densities of equally long records.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Distance of the values, Hz: value `b` stands at `b·bin_hz`.
    pub bin_hz: f64,
    /// Rate of the records.
    pub sample_rate_hz: f64,
    /// Sum of the records' one-sided densities, V²/Hz.
    pub values: Vec<f64>,
    /// Records summed.
    pub records: usize,
    /// Tapers averaged in each.
    pub tapers: usize,
}

impl Density {
    /// Mean density of the records.
    #[must_use]
    pub fn mean(&self) -> Vec<f64> {
        let scale = 1.0 / self.records.max(1) as f64;
        self.values.iter().map(|v| v * scale).collect()
    }

    /// Corrects the rate once it is known better: frequencies scale, powers stay.
    pub fn rescale(&mut self, sample_rate_hz: f64) {
        let ratio = sample_rate_hz / self.sample_rate_hz;
        self.bin_hz *= ratio;
        self.sample_rate_hz = sample_rate_hz;
        for value in &mut self.values {
            *value /= ratio;
        }
    }

    /// Adds another sum of the same layout.
    pub fn add(&mut self, other: &Self) {
        for (mine, theirs) in self.values.iter_mut().zip(&other.values) {
            *mine += theirs;
        }
        self.records += other.records;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand::RngExt;
    use rand::SeedableRng;

    #[test]
    fn white_noise_gives_its_density_and_power() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        let mut estimator = Multitaper::new(4096, 5);
        let mut sum = estimator.start(1000.0);
        let count = 200;
        for _ in 0..count {
            let x: Vec<f64> = (0..4096).map(|_| rng.random::<f64>() - 0.5).collect();
            estimator.accumulate(&x, &mut sum);
        }
        // Uniform noise of variance 1/12 at 1 kS/s: 2·(1/12)/1000 V²/Hz. 200 records of 4096
        // samples leave a relative deviation of √(2/819200)·1.1 ≈ 0.0017; five of them.
        let mean = sum.mean();
        let level: f64 = mean[1..mean.len() - 1].iter().sum::<f64>() / (mean.len() - 2) as f64;
        assert_relative_eq!(level, 2.0 / 12.0 / 1000.0, max_relative = 0.009);
    }

    #[test]
    fn line_shares_sum_to_the_whole_line() {
        let estimator = Multitaper::new(4096, 4);
        let total: f64 = (-4000..=4000)
            .map(|i| estimator.line_share(f64::from(i) * 0.05) * 0.05)
            .sum();
        assert_relative_eq!(total, 1.0, max_relative = 1e-3);
    }
}

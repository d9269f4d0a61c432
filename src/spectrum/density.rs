//! One-sided power spectral density by sine tapers.

use super::fft;
use crate::numeric::vectorised;

use realfft::RealToComplex;
use realfft::num_complex::Complex64;
use std::cell::RefCell;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

/// Values of the density that are worked on together.
const CHUNK: usize = 128;
/// Distance from a zero of both numerator and denominator below which a share is told by its series.
const NEAR: f64 = 1e-4;

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
    padded: usize,
    plan: Arc<dyn RealToComplex<f64>>,
}

/// Buffers of one estimate, used again by every record of a thread.
#[derive(Default)]
struct Scratch {
    input: Vec<f64>,
    bins: Vec<Complex64>,
    transform: Vec<Complex64>,
    planes: [Plane; 2],
}

thread_local! {
    static SCRATCH: RefCell<Scratch> = RefCell::default();
}

/// Every other bin of a transform, from `margin` of them below 0 on: parts by themselves.
#[derive(Default)]
struct Plane {
    re: Vec<f64>,
    im: Vec<f64>,
}

impl Plane {
    /// Bins 2q + `parity` for q from −`margin` to `count` + `margin`.
    fn fill(
        &mut self,
        bins: &[Complex64],
        padded: usize,
        parity: i64,
        margin: usize,
        count: usize,
    ) {
        let places = count + 2 * margin;
        self.re.resize(places, 0.0);
        self.im.resize(places, 0.0);
        let inside = ((bins.len() as i64 - 1 - parity) / 2 + 1).max(0) as usize;
        let inside = inside.min(count + margin);
        let from = bins.get(parity as usize..).unwrap_or(&[]);
        for ((re, im), bin) in self.re[margin..margin + inside]
            .iter_mut()
            .zip(&mut self.im[margin..margin + inside])
            .zip(from.iter().step_by(2))
        {
            (*re, *im) = (bin.re, bin.im);
        }
        let outside = (0..margin).chain(margin + inside..places);
        for place in outside {
            let index = 2 * (place as i64 - margin as i64) + parity;
            let within = index.rem_euclid(padded as i64) as usize;
            let value = match bins.get(within) {
                Some(bin) => *bin,
                None => bins[padded - within].conj(),
            };
            (self.re[place], self.im[place]) = (value.re, value.im);
        }
    }

    /// `count` bins from place `from` on.
    fn parts(&self, from: usize, count: usize) -> (&[f64], &[f64]) {
        (&self.re[from..from + count], &self.im[from..from + count])
    }
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
        Self {
            length,
            tapers: tapers.clamp(1, (length / 4).max(1)),
            padded,
            plan: fft::forward(padded),
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

    /// Adds to `sum` the density of a record less the straight line `mean` + `slope`·m, m counted from the middle of those used.
    pub(crate) fn accumulate_less_line(
        &self,
        samples: &[f64],
        (mean, slope): (f64, f64),
        sum: &mut Density,
    ) {
        let used = samples.len().min(self.length);
        let skip = (samples.len() - used) / 2;
        let middle = 0.5 * (used as f64 - 1.0);
        SCRATCH.with_borrow_mut(|scratch| {
            scratch.input.resize(self.padded, 0.0);
            let (head, tail) = scratch.input.split_at_mut(used);
            for (n, (value, x)) in head.iter_mut().zip(&samples[skip..]).enumerate() {
                *value = x - (mean + slope * (n as f64 - middle));
            }
            tail.fill(0.0);
            scratch
                .bins
                .resize(self.padded / 2 + 1, Complex64::default());
            scratch
                .transform
                .resize(self.plan.get_scratch_len(), Complex64::default());
            if self
                .plan
                .process_with_scratch(
                    &mut scratch.input,
                    &mut scratch.bins,
                    &mut scratch.transform,
                )
                .is_ok()
            {
                let Scratch { bins, planes, .. } = scratch;
                self.combine(bins, planes, sum);
                sum.records += 1;
            }
        });
    }

    /// Adds the tapers' powers of a padded transform.
    fn combine(&self, bins: &[Complex64], planes: &mut [Plane; 2], sum: &mut Density) {
        let half = self.padded as f64 / 2.0;
        // |taper·transform|² with the tapers' 2/(N+1), one-sided, a quarter from the sine's 1/(2i).
        let scale = 2.0 * (2.0 / half) * 0.25 / (sum.sample_rate_hz * self.tapers as f64);
        let margin = self.tapers / 2 + 1;
        let count = sum.values.len();
        for (parity, plane) in planes.iter_mut().enumerate() {
            plane.fill(bins, self.padded, parity as i64, margin, count);
        }
        let planes = &*planes;
        vectorised(
            #[inline(always)]
            || {
                for (c, total) in sum.values.chunks_mut(CHUNK).enumerate() {
                    let from = margin + c * CHUNK;
                    let mut powers = [0.0; CHUNK];
                    let powers = &mut powers[..total.len()];
                    for j in 1..=self.tapers {
                        let (sine, cosine) = (PI * j as f64 / half).sin_cos();
                        let plane = &planes[j % 2];
                        let low = plane.parts(from - j.div_ceil(2), powers.len());
                        let high = plane.parts(from + j / 2, powers.len());
                        add_differences(powers, low, high, (cosine, sine));
                    }
                    for (total, power) in total.iter_mut().zip(powers) {
                        *total += *power * scale;
                    }
                }
            },
        );
    }

    /// An empty sum for records at this rate.
    pub(crate) fn start(&self, sample_rate_hz: f64) -> Density {
        Density {
            bin_hz: 2.0 * sample_rate_hz / self.padded as f64,
            sample_rate_hz,
            values: vec![0.0; self.padded / 4 + 1],
            records: 0,
            tapers: self.tapers,
        }
    }

    /// The density of one record, a straight line and all else left in.
    #[cfg(test)]
    pub fn density(&self, samples: &[f64], sample_rate_hz: f64) -> Density {
        let mut sum = self.start(sample_rate_hz);
        self.accumulate_less_line(samples, (0.0, 0.0), &mut sum);
        sum
    }

    /// Share of white noise's power that removing one complex line takes from a bin `distance` bins
    /// away: the mean over the tapers of |T(x)|²/N.
    #[must_use]
    pub fn line_share(&self, distance: f64) -> f64 {
        let (sine, cosine) = (PI * distance).sin_cos();
        self.line_share_at(distance, (sine * sine, cosine * cosine))
    }

    /// Adds the shares of bins `first`, `first` + 1, .. bins away from a line.
    pub(crate) fn add_line_shares(&self, first: f64, shares: &mut [f64]) {
        const LANES: usize = 4;
        // Whole bins turn neither square.
        let (sine, cosine) = (PI * first).sin_cos();
        let squares = [sine * sine, cosine * cosine];
        vectorised(
            #[inline(always)]
            || {
                for (c, shares) in shares.chunks_mut(LANES).enumerate() {
                    let distances: [f64; LANES] =
                        std::array::from_fn(|i| first + (c * LANES + i) as f64);
                    let mut sums = [0.0; LANES];
                    let mut near = false;
                    for j in 1..=self.tapers {
                        let h = 0.5 * j as f64;
                        let numerator = 2.0 * squares[j % 2] * (h / PI).powi(2);
                        for i in 0..LANES {
                            let apart = distances[i] * distances[i] - h * h;
                            near |= apart.abs() < NEAR * h;
                            sums[i] += numerator / (apart * apart);
                        }
                    }
                    for (i, share) in shares.iter_mut().enumerate() {
                        *share += if near {
                            self.line_share_at(distances[i], (squares[0], squares[1]))
                        } else {
                            sums[i] / self.tapers as f64
                        };
                    }
                }
            },
        );
    }

    /// The share with sin² and cos² of π·distance, which all bins beside one line share.
    ///
    /// sinc(x−h) − sinc(x+h) = ±sin(πx)·2h/(π(x²−h²)) for whole h = j/2, with + and cos(πx) for half ones.
    fn line_share_at(&self, distance: f64, (sine, cosine): (f64, f64)) -> f64 {
        let square = distance * distance;
        let sum: f64 = (1..=self.tapers)
            .map(|j| {
                let h = 0.5 * j as f64;
                let apart = square - h * h;
                if apart.abs() < NEAR * h {
                    // sinc(x−h) = 1 − (π(x−h))²/6, the other one from its own formula.
                    let near = PI * (distance.abs() - h);
                    let far = near.sin() / (PI * (distance.abs() + h));
                    return 0.5 * (1.0 - near * near / 6.0 - far).powi(2);
                }
                let numerator = if j % 2 == 0 { sine } else { cosine };
                2.0 * numerator * (h / (PI * apart)).powi(2)
            })
            .sum();
        sum / self.tapers as f64
    }
}

/// |t·low − t*·high|² added to `powers`, t = cosine + j·sine.
#[inline(always)]
fn add_differences(
    powers: &mut [f64],
    (low_re, low_im): (&[f64], &[f64]),
    (high_re, high_im): (&[f64], &[f64]),
    (cosine, sine): (f64, f64),
) {
    for ((((power, lr), li), hr), hi) in powers
        .iter_mut()
        .zip(low_re)
        .zip(low_im)
        .zip(high_re)
        .zip(high_im)
    {
        let re = cosine * (lr - hr) - sine * (li + hi);
        let im = cosine * (li - hi) + sine * (lr + hr);
        *power += re * re + im * im;
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
    pub(crate) fn rescale(&mut self, sample_rate_hz: f64) {
        let ratio = sample_rate_hz / self.sample_rate_hz;
        self.bin_hz *= ratio;
        self.sample_rate_hz = sample_rate_hz;
        for value in &mut self.values {
            *value /= ratio;
        }
    }

    /// Adds another sum of the same layout.
    pub(crate) fn add(&mut self, other: &Self) {
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
        let estimator = Multitaper::new(4096, 5);
        let mut sum = estimator.start(1000.0);
        let count = 200;
        for _ in 0..count {
            let x: Vec<f64> = (0..4096).map(|_| rng.random::<f64>() - 0.5).collect();
            estimator.accumulate_less_line(&x, (0.0, 0.0), &mut sum);
        }
        // Uniform noise of variance 1/12 at 1 kS/s: 2·(1/12)/1000 V²/Hz. 200 records of 4096
        // samples leave a relative deviation of √(2/819200)·1.1 ≈ 0.0017; five of them.
        let mean = sum.mean();
        let level: f64 = mean[1..mean.len() - 1].iter().sum::<f64>() / (mean.len() - 2) as f64;
        assert_relative_eq!(level, 2.0 / 12.0 / 1000.0, max_relative = 0.009);
    }

    #[test]
    fn line_shares_are_those_of_the_tapers() {
        let estimator = Multitaper::new(4096, 5);
        let sinc = |x: f64| {
            if x.abs() < 1e-9 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            }
        };
        for i in -160..=160 {
            for near in [0.0, 1e-7, 3e-5, 1e-3, 0.02] {
                let x = 0.05 * f64::from(i) + near;
                let sum: f64 = (1..=5)
                    .map(|j| {
                        let h = 0.5 * f64::from(j);
                        let sign = if j % 2 == 1 { 1.0 } else { -1.0 };
                        0.5 * (sinc(x - h) + sign * sinc(x + h)).powi(2)
                    })
                    .sum();
                let mut row = [0.0; 3];
                estimator.add_line_shares(x - 2.0, &mut row);
                assert_relative_eq!(
                    row[2],
                    estimator.line_share(x),
                    max_relative = 1e-7,
                    epsilon = 1e-12
                );
                assert_relative_eq!(
                    estimator.line_share(x),
                    sum / 5.0,
                    max_relative = 1e-8,
                    epsilon = 1e-12
                );
            }
        }
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

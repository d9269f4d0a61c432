//! The discrete-time Fourier transform at any frequency.

use super::fft;
use super::hann_grid::HannGrid;
use super::kaiser_bessel::{WIDTH, horner, kernel_transform, tap_slopes, taps};
use crate::numeric::vectorised;
use realfft::RealToComplex;
use realfft::num_complex::Complex64;
use std::cell::RefCell;
use std::f64::consts::PI;
use std::sync::{Arc, Mutex, PoisonError};

/// Values of a grid that are worked on together.
const CHUNK: usize = 64;
/// Lengths whose plans are kept: a record's segments have two, its few tapers and its whole some more.
const PLANS: usize = 6;

/// X(ν) = Σ x\[n\] exp(−j2πν(n − (N−1)/2)) of a record of N real samples, at any ν in cycles per sample.
///
/// One real FFT of twice the length, then a short Kaiser-Bessel interpolation an evaluation: exact to
/// about 1e-11 of the record's root sum of squares. Phases refer to the middle of the record.
/// Method: L. Greengard and J.-Y. Lee, SIAM Review 46(3), 2004 (nonuniform FFT); kernel after
/// J. A. Fessler and B. P. Sutton, IEEE Trans. Signal Processing 51(2), 2003.
#[derive(Debug, Clone)]
pub struct Nudft {
    bins: Vec<Complex64>,
    length: usize,
    padded: usize,
}

thread_local! {
    /// Padded input and scratch of the transform, used again by every record of a thread.
    static SCRATCH: RefCell<(Vec<f64>, Vec<Complex64>)> = const { RefCell::new((Vec::new(), Vec::new())) };
}

/// Fewest bins that are kept for another transform, and most that are kept in all: room that is had anew has to be filled
/// with nothing first.
const LEAST_SPARED: usize = 1 << 12;
const MOST_SPARED: usize = 1 << 19;

/// Bins of transforms that are no longer needed.
static SPARED: Mutex<Vec<Vec<Complex64>>> = Mutex::new(Vec::new());

/// So many bins, of any content.
fn bins_of(count: usize) -> Vec<Complex64> {
    let spared = if count < LEAST_SPARED {
        None
    } else {
        let mut spared = SPARED.lock().unwrap_or_else(PoisonError::into_inner);
        let found = spared.iter().rposition(|bins| bins.len() == count);
        found.map(|index| spared.swap_remove(index))
    };
    spared.unwrap_or_else(|| vec![Complex64::default(); count])
}

impl Drop for Nudft {
    fn drop(&mut self) {
        let count = self.bins.len();
        if !(LEAST_SPARED..=MOST_SPARED).contains(&count) {
            return;
        }
        let mut spared = SPARED.lock().unwrap_or_else(PoisonError::into_inner);
        let mut kept: usize = spared.iter().map(Vec::len).sum();
        while kept + count > MOST_SPARED {
            kept -= spared.remove(0).len();
        }
        spared.push(std::mem::take(&mut self.bins));
    }
}

/// What all records of one length share.
struct Plan {
    length: usize,
    padded: usize,
    transform: Arc<dyn RealToComplex<f64>>,
    /// What the samples are multiplied by: one over the kernel's transform at each.
    kernel: Vec<f64>,
    /// Turns that refer each bin's phase to the middle.
    turns: Vec<Complex64>,
}

impl Plan {
    fn new(length: usize) -> Self {
        let padded = fft::good_length_from(2 * length.max(WIDTH));
        let middle = 0.5 * (length as f64 - 1.0);
        // Multiply by exp(+j2π·bin·middle/padded).
        let shift = 2.0 * PI * middle / padded as f64;
        Self {
            length,
            padded,
            transform: fft::forward(padded),
            kernel: (0..length)
                .map(|n| 1.0 / kernel_transform((n as f64 - middle) / padded as f64))
                .collect(),
            turns: (0..=padded / 2)
                .map(|bin| Complex64::cis(shift * bin as f64))
                .collect(),
        }
    }

    /// The plan of a length, made once as long as few lengths are in use.
    fn shared(length: usize) -> Arc<Self> {
        static PLANS_KEPT: Mutex<Vec<Arc<Plan>>> = Mutex::new(Vec::new());
        let kept = || PLANS_KEPT.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(plan) = kept().iter().find(|plan| plan.length == length) {
            return Arc::clone(plan);
        }
        let plan = Arc::new(Self::new(length));
        let mut plans = kept();
        if plans.len() >= PLANS {
            plans.remove(0);
        }
        plans.push(Arc::clone(&plan));
        plan
    }
}

/// Bins and weights from which the transform of any record of one length is had at one frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    first: i64,
    weights: [f64; WIDTH],
}

/// A frequency among the bins: the first of those that it is had from, and the place between them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Position {
    first: i64,
    x: f64,
}

impl Nudft {
    /// Transforms a record.
    #[must_use]
    pub fn new(samples: &[f64]) -> Self {
        let plan = Plan::shared(samples.len());
        let mut bins = bins_of(plan.padded / 2 + 1);
        SCRATCH.with_borrow_mut(|(input, scratch)| {
            input.clear();
            input.extend(
                samples
                    .iter()
                    .zip(&plan.kernel)
                    .map(|(x, kernel)| x * kernel),
            );
            input.resize(plan.padded, 0.0);
            scratch.resize(plan.transform.get_scratch_len(), Complex64::default());
            fft::run_forward(&*plan.transform, input, &mut bins, scratch);
        });
        for (value, turn) in bins.iter_mut().zip(&plan.turns) {
            *value *= turn;
        }
        Self {
            bins,
            length: plan.length,
            padded: plan.padded,
        }
    }

    /// Number of samples transformed.
    #[must_use]
    pub fn len(&self) -> usize {
        self.length
    }

    /// X at ν cycles per sample; not a number beyond a million of them, where ν tells no phase.
    #[must_use]
    pub fn at(&self, cycles_per_sample: f64) -> Complex64 {
        self.at_place(&self.place(cycles_per_sample))
    }

    /// Where ν cycles per sample lies, for this record and all others as long.
    pub(crate) fn place(&self, cycles_per_sample: f64) -> Place {
        let [place] = self.places([cycles_per_sample]);
        place
    }

    /// The places of several frequencies.
    pub(crate) fn places<const N: usize>(&self, cycles_per_sample: [f64; N]) -> [Place; N] {
        let taps = taps();
        vectorised(
            #[inline(always)]
            || {
                cycles_per_sample.map(|nu| {
                    let (first, x) = self.position(nu);
                    Place {
                        first,
                        weights: horner(taps, x),
                    }
                })
            },
        )
    }

    /// X at a place.
    pub(crate) fn at_place(&self, place: &Place) -> Complex64 {
        self.weighted(place.first, &place.weights)
    }

    /// The sum of the bins from `first` on under weights.
    #[inline]
    fn weighted(&self, first: i64, weights: &[f64; WIDTH]) -> Complex64 {
        let inside = usize::try_from(first)
            .ok()
            .and_then(|first| self.bins.get(first..first + WIDTH));
        match inside {
            Some(bins) => weighted_sum(bins, weights),
            None => (first..)
                .zip(weights)
                .map(|(index, w)| self.bin(index) * w)
                .sum(),
        }
    }

    /// The Hann-weighted record's transform on the bins up to ν cycles per sample.
    pub(crate) fn hann_grid(&self, up_to: f64) -> HannGrid {
        // A bin's own taps and those of the places 1/N to either side: the same for all bins.
        let cell = self.padded as f64 / self.length.max(1) as f64;
        let parts = [(0.0, 0.5), (-cell, 0.25), (cell, 0.25)].map(|(offset, share)| {
            let (first, x) = self.position(offset / self.padded as f64);
            (first, horner(taps(), x).map(|w| w * share))
        });
        let first = parts.iter().map(|p| p.0).min().unwrap_or(0);
        let last = parts.iter().map(|p| p.0).max().unwrap_or(0) + WIDTH as i64;
        let mut taps = vec![0.0; (last - first) as usize];
        for (start, weights) in &parts {
            let from = (start - first) as usize;
            for (tap, weight) in taps[from..].iter_mut().zip(weights) {
                *tap += weight;
            }
        }
        let top = (up_to * self.padded as f64).ceil().max(0.0) as usize;
        let count = top.min(self.padded / 2) + 1 + 2 * HannGrid::MARGIN;
        let start = first - HannGrid::MARGIN as i64;
        let bins: Vec<Complex64> = (start..start + (count + taps.len()) as i64)
            .map(|index| match usize::try_from(index) {
                Ok(within) if within < self.bins.len() => self.bins[within],
                _ => self.bin(index),
            })
            .collect();
        let mut values = vec![Complex64::default(); count];
        vectorised(
            #[inline(always)]
            || {
                for (c, values) in values.chunks_mut(CHUNK).enumerate() {
                    let bins = &bins[c * CHUNK..];
                    for (i, tap) in taps.iter().enumerate() {
                        for (value, bin) in values.iter_mut().zip(&bins[i..]) {
                            value.re += bin.re * tap;
                            value.im += bin.im * tap;
                        }
                    }
                }
            },
        );
        HannGrid {
            values,
            padded: self.padded as f64,
        }
    }

    /// X at ν cycles per sample, and where that lies.
    pub(crate) fn at_with(&self, cycles_per_sample: f64) -> (Complex64, Position) {
        let (first, x) = self.position(cycles_per_sample);
        let taps = taps();
        let weights = vectorised(
            #[inline(always)]
            || horner(taps, x),
        );
        (self.weighted(first, &weights), Position { first, x })
    }

    /// dX/dν.
    pub(crate) fn slope(&self, at: &Position) -> Complex64 {
        let tap_slopes = tap_slopes();
        let slopes = vectorised(
            #[inline(always)]
            || horner(tap_slopes, at.x),
        );
        self.weighted(at.first, &slopes) * self.padded as f64
    }

    /// X and dX/dν at ν cycles per sample.
    #[must_use]
    pub fn with_slope(&self, cycles_per_sample: f64) -> (Complex64, Complex64) {
        let (first, x) = self.position(cycles_per_sample);
        let (taps, tap_slopes) = (taps(), tap_slopes());
        let (weights, slopes) = vectorised(
            #[inline(always)]
            || (horner(taps, x), horner(tap_slopes, x)),
        );
        let slope = self.weighted(first, &slopes) * self.padded as f64;
        (self.weighted(first, &weights), slope)
    }

    /// First of the bins that ν is had from, and the place between them, −½ to ½.
    fn position(&self, cycles_per_sample: f64) -> (i64, f64) {
        const MOST: f64 = 1e6;
        if !(cycles_per_sample.abs() <= MOST) {
            return (0, f64::NAN);
        }
        let position = cycles_per_sample * self.padded as f64;
        let floor = position.floor();
        (
            floor as i64 - (WIDTH as i64 / 2 - 1),
            position - floor - 0.5,
        )
    }

    /// Bin by index of any sign: the record is real, so X(−ν) is the conjugate; one turn round the
    /// circle changes the sign where the middle lies between two samples.
    fn bin(&self, index: i64) -> Complex64 {
        let padded = self.padded as i64;
        let turns = index.div_euclid(padded);
        let within = index.rem_euclid(padded) as usize;
        let (value, turns) = if within < self.bins.len() {
            (self.bins[within], turns)
        } else {
            (self.bins[self.padded - within].conj(), turns + 1)
        };
        if turns % 2 != 0 && self.length.is_multiple_of(2) {
            -value
        } else {
            value
        }
    }
}

/// Σ bins × weights, as several sums side by side.
#[inline(always)]
fn weighted_sum(bins: &[Complex64], weights: &[f64; WIDTH]) -> Complex64 {
    let mut sums = [0.0; 4];
    let (bins, _) = bins.as_chunks::<2>();
    let (weights, _) = weights.as_chunks::<2>();
    for ([a, b], [v, w]) in bins.iter().zip(weights) {
        sums[0] += a.re * v;
        sums[1] += a.im * v;
        sums[2] += b.re * w;
        sums[3] += b.im * w;
    }
    Complex64::new(sums[0] + sums[2], sums[1] + sums[3])
}

#[cfg(test)]
mod tests {
    #[test]
    fn nudft_by_example() {
        let x: Vec<f64> = (0..1000).map(|n| (0.3 * f64::from(n)).cos()).collect();
        let line = Nudft::new(&x).at(0.3 / std::f64::consts::TAU);
        assert!((line.norm() - 500.0).abs() < 2.0);
    }

    /// Frequencies that are none, and records of any length, give numbers or none, and no panic.
    #[test]
    fn any_frequency_of_any_record_is_answered() {
        for length in [0, 1, 2, 3, 17] {
            let transform = Nudft::new(&vec![1.0; length]);
            for nu in [f64::NAN, f64::INFINITY, 1e300, -1e300, 2e6] {
                assert!(transform.at(nu).re.is_nan());
                assert!(transform.with_slope(nu).1.re.is_nan());
            }
            for nu in [0.0, 0.5, -3.25, 1e6] {
                assert!(transform.at(nu).re.is_finite());
            }
        }
    }

    use super::*;
    use approx::assert_abs_diff_eq;

    /// Bins and the power between them against the transform under Hann weights: of a line to 1 % of its top.
    #[test]
    fn the_hann_grid_is_the_weighted_transform() {
        for length in [1000usize, 1001, 1013] {
            for line in [0.0503, 0.05037, 0.21] {
                let x: Vec<f64> = (0..length)
                    .map(|n| (2.0 * PI * line * n as f64).cos())
                    .collect();
                let transform = Nudft::new(&x);
                let grid = transform.hann_grid(0.25);
                let bin = 1.0 / length as f64;
                let exact = |nu: f64| {
                    let sides = transform.at(nu - bin) + transform.at(nu + bin);
                    (0.5 * transform.at(nu) + 0.25 * sides).norm_sqr()
                };
                let top = exact(line);
                for i in 0..120 {
                    let nu = line + (f64::from(i) - 60.0) * 0.05 * bin;
                    let (at, t) = grid.position(nu);
                    let between = grid.power_between(at, &HannGrid::weights(t));
                    assert_abs_diff_eq!(between / top, exact(nu) / top, epsilon = 1e-2);
                    let own = exact(at as f64 / transform.padded as f64);
                    assert_abs_diff_eq!(grid.power(at) / top, own / top, epsilon = 1e-9);
                }
            }
        }
    }

    /// Differential test against the plain sum.
    #[test]
    fn agrees_with_the_plain_sum() {
        for length in [17usize, 100, 1001] {
            let x: Vec<f64> = (0..length)
                .map(|n| ((n * n) as f64 * 0.37).sin() + 0.3)
                .collect();
            let scale = x.iter().map(|v| v * v).sum::<f64>().sqrt();
            let transform = Nudft::new(&x);
            let middle = 0.5 * (length as f64 - 1.0);
            for nu in [-0.3, -0.001, 0.0, 0.01234, 0.1, 0.25, 0.4999, 0.5, 0.77] {
                let (mut value, mut slope) = (Complex64::default(), Complex64::default());
                for (n, &v) in x.iter().enumerate() {
                    let m = n as f64 - middle;
                    let turn = Complex64::cis(-2.0 * PI * nu * m) * v;
                    value += turn;
                    slope += turn * Complex64::new(0.0, -2.0 * PI * m);
                }
                let (got, got_slope) = transform.with_slope(nu);
                assert_abs_diff_eq!((got - value).norm() / scale, 0.0, epsilon = 3e-11);
                assert_abs_diff_eq!(
                    (transform.at(nu) - value).norm() / scale,
                    0.0,
                    epsilon = 3e-11
                );
                assert_abs_diff_eq!(
                    (got_slope - slope).norm() / scale / length as f64,
                    0.0,
                    epsilon = 1e-9
                );
            }
        }
    }
}

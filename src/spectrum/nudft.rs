//! The discrete-time Fourier transform at any frequency.

use super::fft;
use crate::numeric::bessel_i0;
use crate::numeric::vectorised;
use realfft::RealToComplex;
use realfft::num_complex::Complex64;
use std::cell::RefCell;
use std::f64::consts::PI;
use std::fmt;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Width of the interpolation kernel in oversampled bins.
const WIDTH: usize = 14;
/// Shape of the Kaiser-Bessel kernel for twofold oversampling.
const BETA: f64 = 2.344 * WIDTH as f64;
/// Terms of each tap's polynomial.
const TERMS: usize = 18;
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
///
/// ```
/// use humsieve::spectrum::Nudft;
/// let x: Vec<f64> = (0..1000).map(|n| (0.3 * f64::from(n)).cos()).collect();
/// let line = Nudft::new(&x).at(0.3 / std::f64::consts::TAU);
/// assert!((line.norm() - 500.0).abs() < 2.0);
/// ```
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

impl fmt::Debug for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Plan")
            .field("length", &self.length)
            .field("padded", &self.padded)
            .finish_non_exhaustive()
    }
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

impl Nudft {
    /// Transforms a record.
    #[must_use]
    pub fn new(samples: &[f64]) -> Self {
        let plan = Plan::shared(samples.len());
        let mut bins = plan.transform.make_output_vec();
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
            // The lengths come from the plan itself, so the transform cannot refuse them.
            if plan
                .transform
                .process_with_scratch(input, &mut bins, scratch)
                .is_err()
            {
                bins.fill(Complex64::default());
            }
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

    /// Whether there were no samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.length == 0
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
        let inside = usize::try_from(place.first)
            .ok()
            .and_then(|first| self.bins.get(first..first + WIDTH));
        match inside {
            Some(bins) => weighted_sum(bins, &place.weights),
            None => (place.first..)
                .zip(&place.weights)
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

    /// X and dX/dν at ν cycles per sample.
    #[must_use]
    pub fn with_slope(&self, cycles_per_sample: f64) -> (Complex64, Complex64) {
        let (first, x) = self.position(cycles_per_sample);
        let (taps, tap_slopes) = (taps(), tap_slopes());
        let (weights, slopes) = vectorised(
            #[inline(always)]
            || (horner(taps, x), horner(tap_slopes, x)),
        );
        let inside = usize::try_from(first)
            .ok()
            .and_then(|first| self.bins.get(first..first + WIDTH));
        if let Some(bins) = inside {
            let slope = weighted_sum(bins, &slopes) * self.padded as f64;
            return (weighted_sum(bins, &weights), slope);
        }
        let mut value = Complex64::default();
        let mut slope = Complex64::default();
        for (index, (weight, weight_slope)) in (first..).zip(weights.iter().zip(&slopes)) {
            let bin = self.bin(index);
            value += bin * weight;
            slope += bin * weight_slope;
        }
        (value, slope * self.padded as f64)
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

/// The transform of a record under Hann weights ½ + ½cos(2πm/N), on even bins.
#[derive(Debug, Clone)]
pub(crate) struct HannGrid {
    /// From [`HannGrid::MARGIN`] bins below 0 on.
    values: Vec<Complex64>,
    padded: f64,
}

impl HannGrid {
    /// Bins on either side of those asked for.
    const MARGIN: usize = 4;

    /// Bin that ν cycles per sample lies on or beyond, and the way to the next.
    pub(crate) fn position(&self, cycles_per_sample: f64) -> (usize, f64) {
        let position = (cycles_per_sample * self.padded).max(0.0);
        let bin = (position as usize).min(self.values.len() - 2 * Self::MARGIN);
        (bin, position - bin as f64)
    }

    /// Frequency of a bin, cycles per sample.
    pub(crate) fn frequency(&self, bin: usize) -> f64 {
        bin as f64 / self.padded
    }

    /// Whether bins stand at the same frequencies.
    pub(crate) fn is_like(&self, other: &Self) -> bool {
        self.padded == other.padded
    }

    /// Power at a bin.
    pub(crate) fn power(&self, bin: usize) -> f64 {
        self.values
            .get(bin + Self::MARGIN)
            .map_or(0.0, Complex64::norm_sqr)
    }

    /// Power between two bins, `t` of the way to the next: six neighbours by Lagrange's formula, good to 1 %
    /// of a line's, since the weights leave little of what oversampling by two does not carry.
    pub(crate) fn power_between(&self, bin: usize, weights: &[f64; 6]) -> f64 {
        let from = bin + Self::MARGIN - 2;
        let values = self.values.get(from..from + 6).unwrap_or(&[]);
        let (mut re, mut im) = (0.0, 0.0);
        for (value, weight) in values.iter().zip(weights) {
            re += value.re * weight;
            im += value.im * weight;
        }
        re * re + im * im
    }

    /// Lagrange's weights of the bins −2 to 3 at `t`.
    pub(crate) fn weights(t: f64) -> [f64; 6] {
        let (a, b, c, d, e, f) = (t + 2.0, t + 1.0, t, t - 1.0, t - 2.0, t - 3.0);
        let (ab, cd, ef) = (a * b, c * d, e * f);
        [
            b * cd * ef * (-1.0 / 120.0),
            a * cd * ef * (1.0 / 24.0),
            ab * d * ef * (-1.0 / 12.0),
            ab * c * ef * (1.0 / 12.0),
            ab * cd * f * (-1.0 / 24.0),
            ab * cd * e * (1.0 / 120.0),
        ]
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

/// All taps' polynomials at x, by Horner's rule.
#[inline(always)]
fn horner<const N: usize>(coefficients: &[[f64; WIDTH]; N], x: f64) -> [f64; WIDTH] {
    let mut sums = [0.0; WIDTH];
    for power in coefficients.iter().rev() {
        for (sum, c) in sums.iter_mut().zip(power) {
            *sum = *sum * x + c;
        }
    }
    sums
}

/// Kaiser-Bessel kernel I0(β√(1−(2u/W)²))/I0(β) on |u| ≤ W/2.
fn kernel(u: f64) -> f64 {
    let inside = 1.0 - (2.0 * u / WIDTH as f64).powi(2);
    if inside <= 0.0 {
        0.0
    } else {
        bessel_i0(BETA * inside.sqrt()) / bessel_i0(BETA)
    }
}

/// Its Fourier transform W·sinh(√(β²−(πWξ)²))/√(β²−(πWξ)²)/I0(β).
fn kernel_transform(xi: f64) -> f64 {
    static SCALE: OnceLock<f64> = OnceLock::new();
    let root = (BETA * BETA - (PI * WIDTH as f64 * xi).powi(2))
        .max(1e-300)
        .sqrt();
    SCALE.get_or_init(|| WIDTH as f64 / bessel_i0(BETA)) * root.sinh() / root
}

/// The kernel over each tap's unit interval as a polynomial, by interpolation at Chebyshev points:
/// coefficients of all taps by power.
fn taps() -> &'static [[f64; WIDTH]; TERMS] {
    static TAPS: OnceLock<[[f64; WIDTH]; TERMS]> = OnceLock::new();
    TAPS.get_or_init(|| {
        let nodes: Vec<f64> = (0..TERMS)
            .map(|i| 0.5 * ((i as f64 + 0.5) * PI / TERMS as f64).cos())
            .collect();
        let mut powers = [[0.0; WIDTH]; TERMS];
        for tap in 0..WIDTH {
            // Position of the wanted frequency relative to this tap: x + 0.5 + (W/2 − 1) − tap.
            let offset = 0.5 + (WIDTH as f64 / 2.0 - 1.0) - tap as f64;
            let own = newton_interpolation(&nodes, |x| kernel(x + offset));
            for (power, c) in powers.iter_mut().zip(own) {
                power[tap] = c;
            }
        }
        powers
    })
}

/// The derivatives of the taps' polynomials.
fn tap_slopes() -> &'static [[f64; WIDTH]; TERMS - 1] {
    static SLOPES: OnceLock<[[f64; WIDTH]; TERMS - 1]> = OnceLock::new();
    SLOPES.get_or_init(|| {
        std::array::from_fn(|power| taps()[power + 1].map(|c| c * (power + 1) as f64))
    })
}

/// Coefficients, in powers of x, of the polynomial through f at the nodes (Newton's divided differences).
fn newton_interpolation(nodes: &[f64], f: impl Fn(f64) -> f64) -> [f64; TERMS] {
    let mut divided: Vec<f64> = nodes.iter().map(|&x| f(x)).collect();
    for order in 1..TERMS {
        for i in (order..TERMS).rev() {
            divided[i] = (divided[i] - divided[i - 1]) / (nodes[i] - nodes[i - order]);
        }
    }
    let mut coefficients = [0.0; TERMS];
    for i in (0..TERMS).rev() {
        for power in (1..TERMS).rev() {
            coefficients[power] = coefficients[power - 1] - nodes[i] * coefficients[power];
        }
        coefficients[0] = divided[i] - nodes[i] * coefficients[0];
    }
    coefficients
}

#[cfg(test)]
mod tests {
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

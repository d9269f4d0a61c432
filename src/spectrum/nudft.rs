//! The discrete-time Fourier transform at any frequency.

use super::bessel::bessel_i0;
use super::dirichlet::{Kernel, Weighting};
use super::fft;
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
    /// Lines taken out of every value.
    lines: Vec<Line>,
}

/// A line: A·cos(2πνm + φ), m counted from the record's middle, as ν and A·exp(jφ).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// ν, cycles per sample.
    pub cycles_per_sample: f64,
    /// Complex peak amplitude.
    pub amplitude: Complex64,
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
    /// The kernel's transform at each sample, which the samples are divided by.
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
                .map(|n| kernel_transform((n as f64 - middle) / padded as f64))
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
    cycles_per_sample: f64,
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
                    .map(|(x, kernel)| x / kernel),
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
            lines: Vec::new(),
        }
    }

    /// Takes lines out of every value from now on, in closed form: ½(c·D(ν−ν₀) + c̄·D(ν+ν₀)) each with the Dirichlet
    /// kernel D. They take the place of those given before.
    pub fn without(&mut self, lines: Vec<Line>) {
        self.lines = lines;
    }

    /// What the lines have at ν.
    fn of_lines(&self, nu: f64) -> (Complex64, Complex64) {
        let kernel = |nu| Kernel::at(Weighting::Rectangular, self.length, nu);
        self.lines
            .iter()
            .fold(Default::default(), |(value, slope), line| {
                let (c, own) = (0.5 * line.amplitude, line.cycles_per_sample);
                let (near, far) = (kernel(nu - own), kernel(nu + own));
                (
                    value + c * near.value + c.conj() * far.value,
                    slope + c * near.slope + c.conj() * far.slope,
                )
            })
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

    /// X at ν cycles per sample.
    #[must_use]
    pub fn at(&self, cycles_per_sample: f64) -> Complex64 {
        self.at_place(&self.place(cycles_per_sample))
    }

    /// Where ν cycles per sample lies, for this record and all others as long.
    pub(crate) fn place(&self, cycles_per_sample: f64) -> Place {
        let (first, x) = self.position(cycles_per_sample);
        Place {
            cycles_per_sample,
            first,
            weights: horner(taps(), x),
        }
    }

    /// X at a place.
    pub(crate) fn at_place(&self, place: &Place) -> Complex64 {
        let inside = usize::try_from(place.first)
            .ok()
            .and_then(|first| self.bins.get(first..first + WIDTH));
        let whole: Complex64 = match inside {
            Some(bins) => bins.iter().zip(&place.weights).map(|(b, w)| b * w).sum(),
            None => (place.first..)
                .zip(&place.weights)
                .map(|(index, w)| self.bin(index) * w)
                .sum(),
        };
        if self.lines.is_empty() {
            whole
        } else {
            whole - self.of_lines(place.cycles_per_sample).0
        }
    }

    /// X and dX/dν at ν cycles per sample.
    #[must_use]
    pub fn with_slope(&self, cycles_per_sample: f64) -> (Complex64, Complex64) {
        let (first, x) = self.position(cycles_per_sample);
        let weights = horner(taps(), x);
        let slopes = horner(tap_slopes(), x);
        let mut value = Complex64::default();
        let mut slope = Complex64::default();
        for (index, (weight, weight_slope)) in (first..).zip(weights.iter().zip(&slopes)) {
            let bin = self.bin(index);
            value += bin * weight;
            slope += bin * weight_slope;
        }
        let slope = slope * self.padded as f64;
        if self.lines.is_empty() {
            return (value, slope);
        }
        let (lines, line_slopes) = self.of_lines(cycles_per_sample);
        (value - lines, slope - line_slopes)
    }

    /// First of the bins that ν is had from, and the place between them, −½ to ½.
    fn position(&self, cycles_per_sample: f64) -> (i64, f64) {
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

/// All taps' polynomials at x, by Horner's rule.
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
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Lines taken out leave nothing of a record of them.
    #[test]
    fn lines_are_taken_out() {
        for length in [999usize, 1000] {
            let middle = 0.5 * (length as f64 - 1.0);
            let lines = [(0.0123, 1.0, 0.4), (0.0871, 0.3, -2.0), (0.31, 0.1, 1.0)];
            let x: Vec<f64> = (0..length)
                .map(|n| {
                    let at = |nu: f64| 2.0 * PI * nu * (n as f64 - middle);
                    lines.iter().map(|l| l.1 * (at(l.0) + l.2).cos()).sum()
                })
                .collect();
            let mut transform = Nudft::new(&x);
            let lines = lines.map(|(cycles_per_sample, peak, phase)| Line {
                cycles_per_sample,
                amplitude: Complex64::from_polar(peak, phase),
            });
            transform.without(lines.to_vec());
            for nu in [0.0, 0.0123, 0.013, 0.09, 0.31, 0.4] {
                let (value, slope) = transform.with_slope(nu);
                assert_abs_diff_eq!(value.norm(), 0.0, epsilon = 1e-8);
                assert_abs_diff_eq!(transform.at(nu).norm(), 0.0, epsilon = 1e-8);
                assert_abs_diff_eq!(slope.norm() / length as f64, 0.0, epsilon = 1e-6);
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

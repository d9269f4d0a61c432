//! The discrete-time Fourier transform at any frequency.

use super::bessel::bessel_i0;
use super::fft;
use realfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Width of the interpolation kernel in oversampled bins.
const WIDTH: usize = 14;
/// Shape of the Kaiser-Bessel kernel for twofold oversampling.
const BETA: f64 = 2.344 * WIDTH as f64;
/// Terms of each tap's polynomial.
const TERMS: usize = 18;

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

impl Nudft {
    /// Transforms a record.
    #[must_use]
    pub fn new(samples: &[f64]) -> Self {
        let length = samples.len();
        let padded = fft::good_length_from(2 * length.max(WIDTH));
        let plan = fft::forward(padded);
        let mut input = plan.make_input_vec();
        let mut bins = plan.make_output_vec();
        let middle = 0.5 * (length as f64 - 1.0);
        for (n, (slot, &x)) in input.iter_mut().zip(samples).enumerate() {
            *slot = x / kernel_transform((n as f64 - middle) / padded as f64);
        }
        // The lengths come from the plan itself, so the transform cannot refuse them.
        if plan.process(&mut input, &mut bins).is_err() {
            bins.fill(Complex64::default());
        }
        // Refer the phases to the middle: multiply by exp(+j2π·bin·middle/padded).
        let shift = 2.0 * PI * middle / padded as f64;
        for (bin, value) in bins.iter_mut().enumerate() {
            *value *= Complex64::cis(shift * bin as f64);
        }
        Self {
            bins,
            length,
            padded,
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

    /// X at ν cycles per sample.
    #[must_use]
    pub fn at(&self, cycles_per_sample: f64) -> Complex64 {
        let (first, taps) = self.place(cycles_per_sample);
        let powers = first.1;
        taps.iter()
            .enumerate()
            .map(|(i, tap)| self.bin(first.0 + i as i64) * horner(tap, powers))
            .sum()
    }

    /// X and dX/dν at ν cycles per sample.
    #[must_use]
    pub fn with_slope(&self, cycles_per_sample: f64) -> (Complex64, Complex64) {
        let ((first, x), taps) = self.place(cycles_per_sample);
        let mut value = Complex64::default();
        let mut slope = Complex64::default();
        for (i, tap) in taps.iter().enumerate() {
            let bin = self.bin(first + i as i64);
            value += bin * horner(tap, x);
            slope += bin * horner_slope(tap, x);
        }
        (value, slope * self.padded as f64)
    }

    fn place(&self, cycles_per_sample: f64) -> ((i64, f64), &'static [[f64; TERMS]; WIDTH]) {
        let position = cycles_per_sample * self.padded as f64;
        let floor = position.floor();
        (
            (
                floor as i64 - (WIDTH as i64 / 2 - 1),
                position - floor - 0.5,
            ),
            taps(),
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

fn horner(tap: &[f64; TERMS], x: f64) -> f64 {
    tap.iter().rev().fold(0.0, |sum, &c| sum * x + c)
}

fn horner_slope(tap: &[f64; TERMS], x: f64) -> f64 {
    tap.iter()
        .enumerate()
        .skip(1)
        .rev()
        .fold(0.0, |sum, (i, &c)| sum * x + c * i as f64)
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

/// The kernel over each tap's unit interval as a polynomial, by interpolation at Chebyshev points.
fn taps() -> &'static [[f64; TERMS]; WIDTH] {
    static TAPS: OnceLock<[[f64; TERMS]; WIDTH]> = OnceLock::new();
    TAPS.get_or_init(|| {
        let nodes: Vec<f64> = (0..TERMS)
            .map(|i| 0.5 * ((i as f64 + 0.5) * PI / TERMS as f64).cos())
            .collect();
        std::array::from_fn(|tap| {
            // Position of the wanted frequency relative to this tap: x + 0.5 + (W/2 − 1) − tap.
            let offset = 0.5 + (WIDTH as f64 / 2.0 - 1.0) - tap as f64;
            newton_interpolation(&nodes, |x| kernel(x + offset))
        })
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

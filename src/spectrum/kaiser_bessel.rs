//! The Kaiser-Bessel kernel that interpolates between oversampled bins.
//!
//! J. A. Fessler and B. P. Sutton, IEEE Trans. Signal Processing 51(2), 2003.

use crate::numeric::bessel_i0;
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Width of the interpolation kernel in oversampled bins.
pub(super) const WIDTH: usize = 14;
/// Shape of the Kaiser-Bessel kernel for twofold oversampling.
const BETA: f64 = 2.344 * WIDTH as f64;
/// Terms of each tap's polynomial.
const TERMS: usize = 18;

/// All taps' polynomials at x, by Horner's rule.
#[inline(always)]
pub(super) fn horner<const N: usize>(coefficients: &[[f64; WIDTH]; N], x: f64) -> [f64; WIDTH] {
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
pub(super) fn kernel_transform(xi: f64) -> f64 {
    static SCALE: OnceLock<f64> = OnceLock::new();
    let root = (BETA * BETA - (PI * WIDTH as f64 * xi).powi(2))
        .max(1e-300)
        .sqrt();
    SCALE.get_or_init(|| WIDTH as f64 / bessel_i0(BETA)) * root.sinh() / root
}

/// The kernel over each tap's unit interval as a polynomial, by interpolation at Chebyshev points:
/// coefficients of all taps by power.
pub(super) fn taps() -> &'static [[f64; WIDTH]; TERMS] {
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
pub(super) fn tap_slopes() -> &'static [[f64; WIDTH]; TERMS - 1] {
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

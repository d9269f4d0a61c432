//! Windows that are sums of cosines, in their periodic (DFT-even) form.
//!
//! Sources: F. J. Harris, Proc. IEEE 66(1), 1978; A. H. Nuttall, IEEE Trans. ASSP 29(1), 1981;
//! G. Heinzel, A. Rüdiger, R. Schilling, Max-Planck-Institut report, 2002.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Weights between two cosines that are computed anew.
const TURNED: usize = 256;

/// Hann weights sin²(π(n + ½)/N), symmetric about the middle of N samples, by turning a pointer on.
pub(crate) fn hann(count: usize) -> impl Iterator<Item = f64> {
    let step = TAU / count as f64;
    let turn = Complex64::cis(step);
    (0..count).step_by(TURNED).flat_map(move |from| {
        let pointer = Complex64::cis(step * (from as f64 + 0.5));
        let pointers = std::iter::successors(Some(pointer), move |p| Some(p * turn));
        pointers
            .take(TURNED.min(count - from))
            .map(|p| 0.5 - 0.5 * p.re)
    })
}

/// A window w(x) = Σ (-1)ᵏ aₖ cos(2πk x), x = n/N.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window<'a> {
    coefficients: &'a [f64],
}

impl Window<'static> {
    /// Hann: the default of averaged periodograms.
    pub const HANN: Self = Self::new(&[0.5, 0.5]);
    /// Blackman-Harris, 4 terms, minimum side lobes (-92 dB).
    pub const BLACKMAN_HARRIS: Self = Self::new(&[0.35875, 0.48829, 0.14128, 0.01168]);
}

impl<'a> Window<'a> {
    /// The window of these coefficients a₀, a₁, ...
    #[must_use]
    pub const fn new(coefficients: &'a [f64]) -> Self {
        Self { coefficients }
    }

    /// Its coefficients a₀, a₁, ...
    #[must_use]
    pub fn coefficients(&self) -> &'a [f64] {
        self.coefficients
    }

    /// `length` weights of the periodic form.
    #[must_use]
    pub fn weights(&self, length: usize) -> Vec<f64> {
        let step = TAU / length as f64;
        (0..length).map(|n| self.at(step * n as f64)).collect()
    }

    fn at(&self, phase: f64) -> f64 {
        let sign = |k: usize| if k.is_multiple_of(2) { 1.0 } else { -1.0 };
        let terms = self.coefficients.iter().enumerate();
        terms
            .map(|(k, a)| sign(k) * a * (k as f64 * phase).cos())
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn window_by_example() {
        assert!((Window::HANN.weights(4)[1] - 0.5).abs() < 1e-12);
    }
}

//! Windows that are sums of cosines, in their periodic (DFT-even) form.
//!
//! Sources: F. J. Harris, Proc. IEEE 66(1), 1978; A. H. Nuttall, IEEE Trans. ASSP 29(1), 1981;
//! G. Heinzel, A. Rüdiger, R. Schilling, Max-Planck-Institut report, 2002.

use std::f64::consts::{PI, TAU};

/// A window w(x) = Σ (-1)ᵏ aₖ cos(2πk x), x = n/N.
///
/// ```
/// use humsieve::spectrum::Window;
/// assert_eq!(Window::HANN.enbw_bins(), 1.5);
/// assert!((Window::HANN.weights(4)[1] - 0.5).abs() < 1e-12);
/// ```
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
        let terms = self.coefficients.iter().enumerate();
        terms
            .map(|(k, a)| sign(k) * a * (k as f64 * phase).cos())
            .sum()
    }

    /// Mean of the weights: what a line's amplitude is multiplied by.
    #[must_use]
    pub fn coherent_gain(&self) -> f64 {
        self.coefficients.first().copied().unwrap_or(0.0)
    }

    /// Equivalent noise bandwidth in bins, N Σw² / (Σw)²; exact for N above twice the order.
    #[must_use]
    pub fn enbw_bins(&self) -> f64 {
        self.mean_square() / self.coherent_gain().powi(2)
    }

    /// Mean of the squared weights.
    #[must_use]
    pub fn mean_square(&self) -> f64 {
        let squares: f64 = self.coefficients.iter().map(|a| a * a).sum();
        0.5 * (squares + self.coherent_gain().powi(2))
    }

    /// Amplitude of a line `offset` bins away from a bin's centre, relative to one at the centre
    /// (long records).
    #[must_use]
    pub fn response(&self, offset: f64) -> f64 {
        let nearest = offset.round();
        if (offset - nearest).abs() < 1e-9 {
            let k = nearest.abs() as usize;
            let a = self.coefficients.get(k).copied().unwrap_or(0.0);
            let line = if k == 0 { a } else { 0.5 * a };
            return line / self.coherent_gain();
        }
        let terms = self.coefficients.iter().enumerate().skip(1);
        let sum: f64 = terms
            .map(|(k, a)| sign(k) * a * offset / (offset * offset - (k * k) as f64))
            .sum();
        let edge = self.coherent_gain() / offset + sum;
        ((PI * offset).sin() / PI * edge / self.coherent_gain()).abs()
    }

    /// Scalloping loss: the response half a bin off, dB (negative: a loss).
    #[must_use]
    pub fn scalloping_db(&self) -> f64 {
        20.0 * self.response(0.5).log10()
    }

    /// Flatness: the largest amplitude error within half a bin, dB, with its sign.
    #[must_use]
    pub fn flatness_db(&self) -> f64 {
        const STEPS: usize = 2000;
        (1..=STEPS)
            .map(|i| 20.0 * self.response(0.5 * i as f64 / STEPS as f64).log10())
            .fold(0.0, |worst: f64, error| {
                if error.abs() > worst.abs() {
                    error
                } else {
                    worst
                }
            })
    }

    /// Correlation of the weights with themselves `shift` samples on, for segments of `length`.
    #[must_use]
    pub fn overlap_correlation(&self, length: usize, shift: usize) -> f64 {
        let weights = self.weights(length);
        let later = weights.get(shift..).unwrap_or(&[]);
        let product: f64 = weights.iter().zip(later).map(|(a, b)| a * b).sum();
        product / (self.mean_square() * length as f64)
    }

    /// Effective degrees of freedom of an average of `segments` periodograms of white noise, each
    /// `shift` samples after the last: 2K / (1 + 2 Σ (1 - j/K) ρⱼ²), ρⱼ the overlap correlation at
    /// j shifts (P. D. Welch, IEEE Trans. AU 15(2), 1967).
    #[must_use]
    pub fn averaged_dof(&self, length: usize, shift: usize, segments: usize) -> f64 {
        let k = segments as f64;
        let overlapping = length.div_ceil(shift.max(1)).min(segments);
        let sum: f64 = (1..overlapping)
            .map(|j| (1.0 - j as f64 / k) * self.overlap_correlation(length, j * shift).powi(2))
            .sum();
        2.0 * k / (1.0 + 2.0 * sum)
    }
}

fn sign(k: usize) -> f64 {
    if k.is_multiple_of(2) { 1.0 } else { -1.0 }
}

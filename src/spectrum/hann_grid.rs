//! The transform of a Hann-weighted record on a grid of bins.

use realfft::num_complex::Complex64;

/// The transform of a record under Hann weights ½ + ½cos(2πm/N), on even bins.
#[derive(Debug, Clone)]
pub(crate) struct HannGrid {
    /// From [`HannGrid::MARGIN`] bins below 0 on.
    pub(super) values: Vec<Complex64>,
    /// Bins in one cycle per sample.
    pub(super) padded: f64,
}

impl HannGrid {
    /// Bins on either side of those asked for.
    pub(super) const MARGIN: usize = 4;

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

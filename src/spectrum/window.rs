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
pub struct Window {
    name: &'static str,
    coefficients: &'static [f64],
}

#[allow(clippy::excessive_precision)]
impl Window {
    /// Rectangular.
    pub const RECTANGULAR: Self = Self::new("rectangular", &[1.0]);
    /// Hann: the default of averaged periodograms.
    pub const HANN: Self = Self::new("hann", &[0.5, 0.5]);
    /// Hamming.
    pub const HAMMING: Self = Self::new("hamming", &[0.54, 0.46]);
    /// Blackman.
    pub const BLACKMAN: Self = Self::new("blackman", &[0.42, 0.5, 0.08]);
    /// Exact Blackman.
    pub const EXACT_BLACKMAN: Self = Self::new(
        "exact_blackman",
        &[0.4265907137, 0.4965606191, 0.07684866724],
    );
    /// Blackman-Harris, 3 terms, minimum side lobes.
    pub const BLACKMAN_HARRIS_3TERM_MIN: Self =
        Self::new("blackman_harris_3term_min", &[0.42323, 0.49755, 0.07922]);
    /// Blackman-Harris, 3 terms, -61 dB.
    pub const BLACKMAN_HARRIS_3TERM_61DB: Self =
        Self::new("blackman_harris_3term_61dB", &[0.44959, 0.49364, 0.05677]);
    /// Blackman-Harris, 4 terms, -74 dB.
    pub const BLACKMAN_HARRIS_4TERM_74DB: Self = Self::new(
        "blackman_harris_4term_74dB",
        &[0.40217, 0.49703, 0.09392, 0.00183],
    );
    /// Blackman-Harris, 4 terms, minimum side lobes (-92 dB).
    pub const BLACKMAN_HARRIS: Self =
        Self::new("blackman_harris", &[0.35875, 0.48829, 0.14128, 0.01168]);
    /// Fourth power of the cosine.
    pub const COS4: Self = Self::new("cos4", &[0.375, 0.5, 0.125]);
    /// Nuttall 3a, 3 terms.
    pub const NUTTALL3A: Self = Self::new("nuttall3a", &[0.40897, 0.5, 0.09103]);
    /// Nuttall 3b, 3 terms.
    pub const NUTTALL3B: Self = Self::new("nuttall3b", &[0.4243801, 0.4973406, 0.0782793]);
    /// Nuttall 4, 4 terms.
    pub const NUTTALL4: Self = Self::new("nuttall4", &[0.3125, 0.46875, 0.1875, 0.03125]);
    /// Nuttall 4a, 4 terms.
    pub const NUTTALL4A: Self = Self::new("nuttall4a", &[0.338946, 0.481973, 0.161054, 0.018027]);
    /// Nuttall 4b, 4 terms.
    pub const NUTTALL4B: Self = Self::new("nuttall4b", &[0.355768, 0.487396, 0.144232, 0.012604]);
    /// Nuttall 4c, 4 terms.
    pub const NUTTALL4C: Self =
        Self::new("nuttall4c", &[0.3635819, 0.4891775, 0.1365995, 0.0106411]);
    /// Flat top SFT3F, 3 terms.
    pub const SFT3F: Self = Self::new("SFT3F", &[0.26526, 0.5, 0.23474]);
    /// Flat top SFT4F, 4 terms.
    pub const SFT4F: Self = Self::new("SFT4F", &[0.21706, 0.42103, 0.28294, 0.07897]);
    /// Flat top SFT5F, 5 terms.
    pub const SFT5F: Self = Self::new("SFT5F", &[0.1881, 0.36923, 0.28702, 0.13077, 0.02488]);
    /// Flat top SFT3M, 3 terms.
    pub const SFT3M: Self = Self::new("SFT3M", &[0.28235, 0.52105, 0.19659]);
    /// Flat top SFT4M, 4 terms.
    pub const SFT4M: Self = Self::new("SFT4M", &[0.241906, 0.460841, 0.255381, 0.041872]);
    /// Flat top SFT5M, 5 terms.
    pub const SFT5M: Self = Self::new(
        "SFT5M",
        &[0.209671, 0.407331, 0.281225, 0.092669, 0.0091036],
    );
    /// Flat top FTHP, 4 terms.
    pub const FTHP: Self = Self::new("FTHP", &[1.0, 1.912510941, 1.079173272, 0.1832630879]);
    /// Flat top FTSRS, 5 terms.
    pub const FTSRS: Self = Self::new("FTSRS", &[1.0, 1.93, 1.29, 0.388, 0.028]);
    /// Flat top HFT70, 4 terms.
    pub const HFT70: Self = Self::new("HFT70", &[1.0, 1.90796, 1.07349, 0.18199]);
    /// Flat top HFT95, 5 terms.
    pub const HFT95: Self = Self::new("HFT95", &[1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665]);
    /// Flat top HFT90D, 5 terms.
    pub const HFT90D: Self = Self::new("HFT90D", &[1.0, 1.942604, 1.340318, 0.440811, 0.043097]);
    /// Flat top HFT116D, 6 terms.
    pub const HFT116D: Self = Self::new(
        "HFT116D",
        &[1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288],
    );
    /// Flat top HFT144D, 7 terms.
    pub const HFT144D: Self = Self::new(
        "HFT144D",
        &[
            1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360,
        ],
    );
    /// Flat top HFT169D, 8 terms.
    pub const HFT169D: Self = Self::new(
        "HFT169D",
        &[
            1.0, 1.97441842, 1.65409888, 0.95788186, 0.33673420, 0.06364621, 0.00521942, 0.00010599,
        ],
    );
    /// Flat top HFT196D, 9 terms.
    pub const HFT196D: Self = Self::new(
        "HFT196D",
        &[
            1.0,
            1.979280420,
            1.710288951,
            1.081629853,
            0.448734314,
            0.112376628,
            0.015122992,
            0.000871252,
            0.000011896,
        ],
    );
    /// Flat top HFT223D, 10 terms.
    pub const HFT223D: Self = Self::new(
        "HFT223D",
        &[
            1.0,
            1.98298997309,
            1.75556083063,
            1.19037717712,
            0.56155440797,
            0.17296769663,
            0.03233247087,
            0.00324954578,
            0.00013801040,
            0.00000132725,
        ],
    );
    /// Flat top HFT248D, 11 terms.
    pub const HFT248D: Self = Self::new(
        "HFT248D",
        &[
            1.0,
            1.985844164102,
            1.791176438506,
            1.282075284005,
            0.667777530266,
            0.240160796576,
            0.056656381764,
            0.008134974479,
            0.000624544650,
            0.000019808998,
            0.000000132974,
        ],
    );

    /// Every window of the table.
    pub const ALL: [Self; 33] = [
        Self::RECTANGULAR,
        Self::HANN,
        Self::HAMMING,
        Self::BLACKMAN,
        Self::EXACT_BLACKMAN,
        Self::BLACKMAN_HARRIS_3TERM_MIN,
        Self::BLACKMAN_HARRIS_3TERM_61DB,
        Self::BLACKMAN_HARRIS_4TERM_74DB,
        Self::BLACKMAN_HARRIS,
        Self::COS4,
        Self::NUTTALL3A,
        Self::NUTTALL3B,
        Self::NUTTALL4,
        Self::NUTTALL4A,
        Self::NUTTALL4B,
        Self::NUTTALL4C,
        Self::SFT3F,
        Self::SFT4F,
        Self::SFT5F,
        Self::SFT3M,
        Self::SFT4M,
        Self::SFT5M,
        Self::FTHP,
        Self::FTSRS,
        Self::HFT70,
        Self::HFT95,
        Self::HFT90D,
        Self::HFT116D,
        Self::HFT144D,
        Self::HFT169D,
        Self::HFT196D,
        Self::HFT223D,
        Self::HFT248D,
    ];

    const fn new(name: &'static str, coefficients: &'static [f64]) -> Self {
        Self { name, coefficients }
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// Its coefficients a₀, a₁, ...
    #[must_use]
    pub fn coefficients(&self) -> &'static [f64] {
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

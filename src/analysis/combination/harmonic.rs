//! A series over the whole record: its frequency and orders, and the noise beside each.

use crate::stats::LinePower;
use rustfft::num_complex::Complex64;

/// Noise beside one order: variance of a coefficient in each segment, and degrees of freedom.
#[derive(Debug, Clone)]
pub(crate) struct OrderNoise {
    pub(crate) variances: Vec<f64>,
    pub(crate) dof: f64,
    /// Whether the order may tell the common phase.
    pub(crate) guides: bool,
}

/// One harmonic of the whole record.
#[derive(Debug, Clone)]
pub(crate) struct CombinedHarmonic {
    /// Mean derotated amplitude, phase at the record's first sample.
    pub(crate) amplitude: Complex64,
    /// Variance of its cosine and sine parts.
    pub(crate) variance: f64,
    pub(crate) power: LinePower,
    /// Variance of the phase at the first sample, rad².
    pub(crate) phase_variance: f64,
    /// Whether its amplitude moves from segment to segment by more than noise does.
    pub(crate) unsteady: bool,
}

/// A harmonic series of the whole record.
#[derive(Debug, Clone)]
pub(crate) struct Combined {
    /// Mean fundamental, Hz.
    pub(crate) frequency_hz: f64,
    pub(crate) frequency_variance: f64,
    /// Square of what the mean fundamental moves by at most without one of the orders, where they do not agree on it, Hz²; beside
    /// the variance.
    pub(crate) orders_apart: f64,
    pub(crate) harmonics: Vec<CombinedHarmonic>,
    /// Whether single segments tell the common phase.
    pub(crate) followed: bool,
    /// Whether the figures are those of tracks.
    pub(crate) tracked: bool,
    /// Intensity of the frequency's random walk that the track shows, Hz²/s; 0: steady.
    pub(crate) walk: f64,
    /// Fundamental in each segment, Hz.
    pub(crate) segment_frequencies_hz: Vec<f64>,
}

impl Combined {
    /// What a record says of a series of which nothing was fitted.
    pub(super) fn nothing(
        orders: usize,
        frequency_hz: f64,
        segment_frequencies_hz: Vec<f64>,
    ) -> Self {
        let silent = CombinedHarmonic {
            amplitude: Complex64::default(),
            variance: 0.0,
            power: LinePower::default(),
            phase_variance: f64::INFINITY,
            unsteady: false,
        };
        Self {
            frequency_hz,
            frequency_variance: f64::INFINITY,
            orders_apart: 0.0,
            harmonics: vec![silent; orders],
            segment_frequencies_hz,
            followed: false,
            tracked: false,
            walk: 0.0,
        }
    }
}

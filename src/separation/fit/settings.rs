//! What a fit may do.

use super::model::HumModel;
use crate::analysis::MOST_HARMONICS;
use crate::separation::options::HarmonicOptions;

/// Rate that a decimated copy of a record keeps at least, Hz: sixty orders of 50 Hz lie in its clean quarter.
pub(crate) const ENOUGH_HZ: f64 = 12_000.0;

/// What a fit may do.
#[derive(Debug, Clone)]
pub(crate) struct FitSettings {
    pub(crate) rate_hz: f64,
    pub(crate) highest_order: usize,
    /// Frequencies that must not be touched, Hz.
    pub(crate) protect_hz: Vec<f64>,
}

impl FitSettings {
    /// Settings that the options ask for.
    pub(crate) fn new(rate_hz: f64, options: &HarmonicOptions) -> Self {
        Self {
            rate_hz,
            highest_order: options.harmonics.unwrap_or(MOST_HARMONICS),
            protect_hz: options.protect_hz.clone(),
        }
    }

    /// Orders of a fundamental (known to `doubt_hz`) too close to a protected frequency.
    pub(crate) fn barred(&self, frequency_hz: f64, doubt_hz: f64, duration_s: f64) -> Vec<usize> {
        self.protect_hz
            .iter()
            .filter_map(|p| {
                let order = (p / frequency_hz).round();
                let guard = (3.0 / duration_s).max(1.0).max(order * doubt_hz);
                let close = (p - order * frequency_hz).abs() < guard.min(0.3 * frequency_hz);
                (close && order >= 1.0).then_some(order as usize)
            })
            .collect()
    }

    /// Orders of a model, whose fundamental is known to `doubt_hz`, too close to a protected frequency.
    pub(crate) fn barred_of(&self, model: &HumModel, doubt_hz: f64) -> Vec<usize> {
        let duration_s = model.samples() as f64 / self.rate_hz;
        self.barred(model.cycles() / duration_s, doubt_hz, duration_s)
    }
}

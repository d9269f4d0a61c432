//! What a method says of a stretch that it separated.

use super::left_power::LeftPower;
use super::result::{HumTrack, Match, TouchedBand};
use crate::{Warning, WarningCode};

/// What a method says of one stretch of one channel, beside the interference itself.
#[derive(Debug, Clone, Default)]
pub(crate) struct Findings {
    pub(crate) detected: bool,
    /// What is left, by the uncertainty of what was fitted.
    pub(crate) left: LeftPower,
    /// Mean square that may be left on top of it, or may not: what another channel's own noise brings in.
    pub(crate) unsure_power: f64,
    /// Mean square that may be left without showing itself.
    pub(crate) unseen_power: f64,
    pub(crate) mains_power: f64,
    pub(crate) coherent_power: f64,
    pub(crate) touched: Vec<TouchedBand>,
    pub(crate) track: HumTrack,
    pub(crate) matched: Option<Match>,
    /// The interference's own offset, where another capture or channel tells it.
    pub(crate) own_offset: Option<f64>,
    pub(crate) notes: Vec<String>,
    pub(crate) warnings: Vec<Warning>,
}

impl Findings {
    pub(crate) fn warn(&mut self, code: WarningCode, message: impl Into<String>) {
        self.warnings.push(code.warning(message));
    }
}

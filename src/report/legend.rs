//! The sentences that say what the figures mean.

use crate::si::percent;

/// What the intervals cover, at a confidence.
#[must_use]
pub fn interval_legend(confidence: f64) -> String {
    format!(
        "Intervals are at {} confidence and cover random scatter within and between the captures \
         given. They do not cover calibration errors of instrument and probe.",
        percent(confidence)
    )
}

/// What an interval from zero means.
pub const FLOOR_LEGEND: &str =
    "An amplitude whose interval begins at 0 is not resolved above the noise.";

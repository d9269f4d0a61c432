//! Agreement of repeated captures.

use crate::Condition;
use crate::quantity::Quantity;
use serde::{Deserialize, Serialize};

/// Agreement of the repeated captures of one condition in one figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Repeats {
    /// The condition.
    pub condition: Condition,
    /// The quantity: `dc_offset`, `hum_rms` or `noise_rms`.
    pub quantity: Quantity,
    /// Number of captures that speak of it, two or more.
    pub captures: usize,
    /// Standard deviation between captures: percent of the value, of an offset in the channels' unit.
    pub spread: f64,
    /// What the scatter within the captures alone would give, likewise.
    pub expected_spread: f64,
    /// Whether they differ by more than their own scatter explains (W. G. Cochran, Biometrics 10, 1954; with a chance of
    /// 1 - confidence of saying so of captures that agree).
    pub differ: bool,
    /// Change from the first capture to the last by a straight line in order, likewise, where it is
    /// told from the spread about the line; `None` where it is not, and below four captures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drift: Option<f64>,
    /// Whether the figure came back to its earlier value where the condition came back in
    /// [`CompareOptions::sequence`](crate::comparison::CompareOptions::sequence); `None` where it did not, or where the
    /// sequence does not count the captures that speak of the figure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub came_back: Option<bool>,
}

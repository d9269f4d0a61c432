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
    /// The quantity.
    pub quantity: Quantity,
    /// Number of captures.
    pub captures: usize,
    /// Standard deviation between captures: percent of the value, of an offset in its unit.
    pub spread: f64,
    /// What the scatter within the captures alone would give, likewise.
    pub expected_spread: f64,
    /// Whether they differ by more than their own scatter explains (at 1 - confidence).
    pub differ: bool,
    /// Change from the first capture to the last by a straight line in order, likewise, where it is
    /// told from the spread about the line; from four captures up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drift: Option<f64>,
    /// Where a sequence was repeated: whether the figure came back to its earlier value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub came_back: Option<bool>,
}

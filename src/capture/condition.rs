//! Conditions of a capture.

use serde::{Deserialize, Serialize};
use std::fmt;

/// How the probe was connected when a capture was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Condition {
    /// Probe tip shorted to its own ground lead, nothing else connected: the instrument's floor.
    Baseline,
    /// Tip and ground lead both on the source's ground, loop closed: interference only.
    Looped,
    /// As looped, with the loop broken by a remedy.
    Isolated,
}

impl Condition {
    /// Every condition, in the order in which they are told.
    pub const ALL: [Self; 3] = [Self::Baseline, Self::Looped, Self::Isolated];
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

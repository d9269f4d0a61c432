//! The result of a comparison. Field names are those of the JSON output.

use crate::Warning;
use crate::stats::Estimate;
use serde::Serialize;
use std::fmt;

/// What the loop adds and what the remedy takes away, figure by figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Comparison {
    /// Level of every interval.
    pub confidence: f64,
    /// Nominal mains frequency, Hz.
    pub mains_nominal_hz: f64,
    /// Band of the noise figures, Hz.
    pub band_hz: (f64, f64),
    /// Captures of each condition.
    pub captures: CaptureCounts,
    /// One entry a figure.
    pub quantities: Vec<ComparedQuantity>,
    /// What limits the comparison.
    pub warnings: Vec<Warning>,
}

/// How many captures each condition had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Default)]
pub struct CaptureCounts {
    /// Probe shorted.
    pub baseline: usize,
    /// Loop closed.
    pub looped: usize,
    /// Loop broken.
    pub isolated: usize,
}

/// One figure under the conditions.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ComparedQuantity {
    /// `dc_offset`, `hum_rms`, `harmonic_1_rms`, `noise_rms`, `ac_rms`, `peak_to_peak`, ...
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Reading with the probe shorted.
    pub baseline: Option<Estimate>,
    /// Reading with the loop closed.
    pub looped: Option<Estimate>,
    /// Reading with the loop broken.
    pub isolated: Option<Estimate>,
    /// Looped above baseline: power difference for RMS figures, plain difference for `dc_offset`.
    pub loop_excess: Option<Estimate>,
    /// Isolated above baseline, likewise.
    pub residual_excess: Option<Estimate>,
    /// Looped to isolated (without isolated: looped to baseline), dB.
    pub improvement_db: Option<DecibelRatio>,
    /// Loop excess to residual excess, dB: what the remedy did to the interference itself.
    pub excess_reduction_db: Option<DecibelRatio>,
    /// What can be said.
    pub verdict: Verdict,
}

/// 20 log10 of a ratio with its interval; `high` is `None` where the divisor is unresolved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DecibelRatio {
    /// Point estimate; equal to `low` where `high` is `None`.
    pub value: f64,
    /// Lower end: what can be claimed.
    pub low: f64,
    /// Upper end.
    pub high: Option<f64>,
}

/// What a comparison says of one figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The whole interval of the improvement lies above 0 dB.
    Improved,
    /// The whole interval lies below 0 dB.
    Worse,
    /// The interval holds 0 dB.
    Unresolved,
    /// Improved, and what is left cannot be told from the baseline.
    AtFloor,
}

impl Verdict {
    /// The fixed name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Improved => "improved",
            Self::Worse => "worse",
            Self::Unresolved => "unresolved",
            Self::AtFloor => "at_floor",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

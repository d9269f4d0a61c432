//! Warnings: what limits a result, and what to do next.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The fixed names of the warnings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum WarningCode {
    /// Samples at the limit of the range.
    Clipped,
    /// Too few mains cycles for what was asked.
    ShortRecord,
    /// Noise below the converter's step.
    CoarseQuantization,
    /// The input was AC coupled: the offset is not in the capture.
    AcCoupled,
    /// The time column is not quite even.
    UnevenSampling,
    /// Samples are missing (blank cells, a gap, a truncated file).
    MissingSamples,
    /// The time column is too coarse to give the rate sample by sample.
    RoundedTime,
    /// No mains series was found.
    MainsNotDetected,
    /// The band that was asked for lies partly outside what the record resolves.
    BandReduced,
    /// Captures taken on different ranges, or a statement that contradicts the data.
    RangeMismatch,
    /// Captures taken at different rates, or a statement that contradicts the data.
    RateMismatch,
    /// Captures taken with different coupling.
    CouplingMismatch,
    /// A wanted signal, a step, a settling or pulses are in the record.
    NotInterferenceAlone,
    /// The hum's amplitude is modulated.
    ModulatedHum,
    /// The mains frequency moves within the record.
    MainsDrifts,
    /// A line that is no order lies too near an order to part.
    LineNearHarmonic,
    /// The rate is below twice the mains: what there is of it folds.
    FoldedMains,
    /// Captures that look as if their conditions were swapped.
    ConditionsSwapped,
    /// The same capture was given twice.
    SameCaptureTwice,
}

impl WarningCode {
    /// The fixed name used in JSON output.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Clipped => "clipped",
            Self::ShortRecord => "short_record",
            Self::CoarseQuantization => "coarse_quantization",
            Self::AcCoupled => "ac_coupled",
            Self::UnevenSampling => "uneven_sampling",
            Self::MissingSamples => "missing_samples",
            Self::RoundedTime => "rounded_time",
            Self::MainsNotDetected => "mains_not_detected",
            Self::BandReduced => "band_reduced",
            Self::RangeMismatch => "range_mismatch",
            Self::RateMismatch => "rate_mismatch",
            Self::CouplingMismatch => "coupling_mismatch",
            Self::NotInterferenceAlone => "not_interference_alone",
            Self::ModulatedHum => "modulated_hum",
            Self::MainsDrifts => "mains_drifts",
            Self::LineNearHarmonic => "line_near_harmonic",
            Self::FoldedMains => "folded_mains",
            Self::ConditionsSwapped => "conditions_swapped",
            Self::SameCaptureTwice => "same_capture_twice",
        }
    }
}

impl fmt::Display for WarningCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One warning: its code and a sentence that says what was found and what to do next.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Warning {
    /// The fixed name.
    pub code: WarningCode,
    /// What was found and what to do next.
    pub message: String,
}

impl Warning {
    /// A warning with its message.
    #[must_use]
    pub fn new(code: WarningCode, message: impl Into<String>) -> Self {
        Self {
            code,
            message: message.into(),
        }
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.code, self.message)
    }
}

//! Warnings: what limits a result, and what to do next.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The fixed names of the warnings, as `Display` and JSON give them: those of the variants in small letters, `short_record`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum WarningCode {
    /// Samples at the limit of the range.
    Clipped,
    /// Too few mains cycles for what was asked.
    ShortRecord,
    /// Noise below half the converter's step: its figure is a bound, not a reading.
    CoarseQuantization,
    /// The input was AC coupled: the offset is not in the capture.
    AcCoupled,
    /// The time column is not quite even.
    UnevenSampling,
    /// Samples are missing (blank cells, a gap, a truncated file).
    MissingSamples,
    /// The time column is too coarse to give the rate sample by sample.
    RoundedTime,
    /// No mains series was found, or none that tells 50 from 60 Hz.
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
    /// The hum's amplitude is modulated, or the hum is there in a part of the record only.
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
    /// A reference channel adds nothing to the others, or shows nothing of the interference, and was left out.
    ReferenceNotUsed,
}

impl WarningCode {
    /// A warning of this code with its message: what was found and what to do next.
    #[must_use]
    pub fn warning(self, message: impl Into<String>) -> Warning {
        Warning {
            code: self,
            message: message.into(),
        }
    }
}

impl fmt::Display for WarningCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
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

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.code, self.message)
    }
}

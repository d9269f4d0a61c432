//! What a plan says.

use serde::{Deserialize, Serialize};

/// Record length, rate and range, with the reasons.
///
/// Its `Display` is the text for a terminal of 80 columns ([`Plan::text`] for others), with what each part needs and why; JSON holds that too.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Plan {
    /// Hum RMS, offset and added noise that this plan resolves, V.
    pub resolve_v: f64,
    /// Nominal mains frequency, Hz.
    pub mains_hz: f64,
    /// Length of each record, s: a multiple of 0.2, at most 3600.
    pub record_s: f64,
    /// Rate of sampling, Hz: the first of 1, 2 and 5 times a power of ten from 2.5 times the highest frequency of interest.
    pub sample_rate_hz: f64,
    /// Frames of each record.
    pub frames: u64,
    /// Captures to take of each condition.
    pub captures: u32,
    /// One-sided noise density the plan rests on, V/√Hz, the converter's rounding included; `None` where nothing is known of
    /// it.
    pub noise_density_v_per_rthz: Option<f64>,
    /// Which range to take the captures on.
    pub range: RangeAdvice,
    /// What each part needs, and why.
    pub(crate) steps: Vec<PlanStep>,
    /// Sentences on what stands in the way, or was assumed.
    pub notes: Vec<String>,
}

/// What one part of the plan needs, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct PlanStep {
    /// `hum`, `offset`, `noise`, `cycles`, `rate`, `captures`.
    pub name: String,
    /// What it needs.
    pub value: f64,
    /// Its unit.
    pub unit: String,
    /// Why.
    pub reason: String,
}

/// Which range to take the captures on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct RangeAdvice {
    /// Offset and peak hum that the range has to hold, plus or minus V.
    pub needed_v: f64,
    /// The range that is planned with, plus or minus V; `None` where none is given.
    pub full_scale_v: Option<f64>,
    /// Its converter step, V; `None` where range or bits are not given.
    pub lsb_v: Option<f64>,
    /// Largest error of a mean through that step, V; `None` without a step.
    pub step_error_v: Option<f64>,
    /// Whether one range serves offset and hum alike; `None` where that cannot be told of what is given.
    pub one_range_serves: Option<bool>,
    /// The advice in words.
    pub advice: String,
}

//! The result of a comparison. Field names are those of the JSON output.

use super::limit::Judgement;
use super::outlook::SignalOutlook;
use super::repeats::Repeats;
use crate::analysis::Measurement;
use crate::stats::Estimate;
use crate::{Condition, Warning};
use serde::{Deserialize, Deserializer, Serialize};
use std::borrow::Cow;
use std::fmt;

/// What the loop adds and what the remedy takes away, figure by figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
    /// Lines that are no order of the mains, the strongest first.
    #[serde(default)]
    pub lines: Vec<ComparedLine>,
    /// What limits the comparison.
    pub warnings: Vec<Warning>,
    /// How the verdicts of the whole table are kept from false alarms.
    pub verdict_method: Cow<'static, str>,
    /// Captures that do not speak of some figures, and why.
    pub left_out: Vec<LeftOut>,
    /// How well captures of one condition agree.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeats: Vec<Repeats>,
    /// Acceptance limits and what became of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<Judgement>,
    /// What is left to measure, where a wanted signal was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signal: Option<SignalOutlook>,
    /// Sentences on what the intervals cover here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
}

impl Comparison {
    /// A comparison of these figures, with nothing beside it yet.
    #[must_use]
    pub fn new(
        confidence: f64,
        mains_nominal_hz: f64,
        band_hz: (f64, f64),
        captures: CaptureCounts,
        quantities: Vec<ComparedQuantity>,
    ) -> Self {
        Self {
            confidence,
            mains_nominal_hz,
            band_hz,
            captures,
            quantities,
            lines: Vec::new(),
            warnings: Vec::new(),
            verdict_method: Cow::Borrowed(super::verdict::METHOD),
            left_out: Vec::new(),
            repeats: Vec::new(),
            limits: Vec::new(),
            signal: None,
            notes: Vec::new(),
        }
    }

    /// The figure of this name.
    #[must_use]
    pub fn quantity(&self, name: &str) -> Option<&ComparedQuantity> {
        self.quantities.iter().find(|q| q.name == name)
    }

    /// Whether every acceptance limit is met.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.limits.iter().all(Judgement::passed)
    }
}

/// How many captures each condition had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
pub struct CaptureCounts {
    /// Probe shorted.
    pub baseline: usize,
    /// Loop closed.
    pub looped: usize,
    /// Loop broken.
    pub isolated: usize,
}

/// Quantities that are not told for each harmonic: what holds for `hum_rms` holds for its harmonics.
pub(super) const ALL_QUANTITIES: &[&str] = &[
    "dc_offset",
    "hum_rms",
    "noise_rms",
    "ac_rms",
    "peak_to_peak",
    "lines",
];

/// A capture that does not speak of a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LeftOut {
    /// Its file.
    pub file: String,
    /// Its channel.
    pub channel: String,
    /// The condition it was taken under.
    pub condition: Condition,
    /// Fixed name of the quantity that it does not speak of; `hum_rms` stands for its harmonics too.
    pub quantity: String,
    /// Why.
    pub why: String,
}

impl LeftOut {
    /// A capture left out of these quantities, each an entry.
    pub(super) fn of<'a>(
        m: &'a Measurement,
        condition: Condition,
        quantities: &'a [&str],
        why: &'a str,
    ) -> impl Iterator<Item = Self> + use<'a> {
        quantities.iter().map(move |quantity| Self {
            file: m.file.clone(),
            channel: m.channel.clone(),
            condition,
            quantity: (*quantity).to_owned(),
            why: why.to_owned(),
        })
    }
}

/// One figure under the conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
    /// Looped to isolated (without isolated: looped to baseline), dB; `None` where both readings are
    /// unresolved.
    pub improvement_db: Option<DecibelRatio>,
    /// Loop excess to residual excess, dB: what the remedy did to the interference itself.
    pub excess_reduction_db: Option<DecibelRatio>,
    /// What can be said.
    pub verdict: Verdict,
    /// What the uncertainty of the improvement rests on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basis: Option<Basis>,
    /// Probability of an improvement or a worsening as large as this one between equal conditions (from
    /// single captures: between conditions that differ by
    /// [`SINGLE_CAPTURE_MARGIN_DB`](super::SINGLE_CAPTURE_MARGIN_DB)).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_value: Option<f64>,
    /// The same, corrected for the number of figures; the verdict rests on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adjusted_p_value: Option<f64>,
    /// Why the readings are not compared, where they could be but for that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_compared: Option<String>,
    /// Random scatter and the instrument's limits of error together, where those were given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty: Option<ExpandedUncertainties>,
}

impl ComparedQuantity {
    /// A figure of which nothing is known yet.
    #[must_use]
    pub fn new(name: impl Into<String>, unit: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            unit: unit.into(),
            baseline: None,
            looped: None,
            isolated: None,
            loop_excess: None,
            residual_excess: None,
            improvement_db: None,
            excess_reduction_db: None,
            verdict: Verdict::Unresolved,
            basis: None,
            p_value: None,
            adjusted_p_value: None,
            not_compared: None,
            expanded_uncertainty: None,
        }
    }

    /// What may be told of one of its ratios: at the floor the lower bound alone.
    #[must_use]
    pub fn claimed(&self, ratio: Option<DecibelRatio>) -> Option<DecibelRatio> {
        match ratio {
            Some(DecibelRatio { low, .. }) if self.verdict == Verdict::AtFloor => {
                low.is_finite().then_some(DecibelRatio {
                    value: low,
                    low,
                    high: None,
                })
            }
            other => other,
        }
    }

    /// The reading under a condition.
    #[must_use]
    pub fn reading(&self, condition: Condition) -> Option<&Estimate> {
        match condition {
            Condition::Baseline => self.baseline.as_ref(),
            Condition::Looped => self.looped.as_ref(),
            Condition::Isolated => self.isolated.as_ref(),
        }
    }
}

/// A line that is no order of the mains, matched between the captures of all conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ComparedLine {
    /// Where it was found, Hz: the mean of the captures that show it.
    pub frequency_hz: Estimate,
    /// Its RMS under the conditions and what became of it; a reading from 0 where it does not stand above
    /// the noise, `None` where a condition cannot speak of it.
    #[serde(flatten)]
    pub quantity: ComparedQuantity,
}

impl ComparedLine {
    /// Whether it came with the remedy: the loop is shown not to have it.
    #[must_use]
    pub fn is_new(&self) -> bool {
        let absent = self.quantity.looped.is_some_and(|e| e.low <= 0.0);
        absent && self.quantity.verdict == Verdict::Worse
    }
}

/// What the uncertainty of an improvement rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Basis {
    /// The scatter within single captures: blind to what changes from one capture to the next.
    WithinCaptures,
    /// The spread between captures of one condition.
    BetweenCaptures,
}

/// Expanded uncertainties of one figure, in its unit (`improvement_db` in dB).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct ExpandedUncertainties {
    /// Of the baseline reading.
    pub baseline: Option<ExpandedUncertainty>,
    /// Of the looped reading.
    pub looped: Option<ExpandedUncertainty>,
    /// Of the isolated reading.
    pub isolated: Option<ExpandedUncertainty>,
    /// Of the ratio of the two readings: errors common to both cancel.
    pub improvement_db: Option<ExpandedUncertainty>,
}

/// An expanded uncertainty (JCGM 100:2008, 6.2): the standard uncertainty times the coverage factor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ExpandedUncertainty {
    /// Half-width of the interval.
    pub value: f64,
    /// By what the combined standard uncertainty was multiplied.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; `None` where they are infinite.
    pub degrees_of_freedom: Option<f64>,
}

/// 20 log10 of a ratio with its interval.
///
/// `high` is `None` where the divisor is unresolved. `low` is negative infinity (`null` in JSON) where
/// the dividend is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DecibelRatio {
    /// Point estimate; equal to `low` where `high` is `None`.
    pub value: f64,
    /// Lower end: what can be claimed.
    #[serde(deserialize_with = "unbounded_below")]
    pub low: f64,
    /// Upper end.
    pub high: Option<f64>,
}

/// `null` as what it stands for.
fn unbounded_below<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::NEG_INFINITY))
}

impl DecibelRatio {
    /// From the quantiles of a ratio of powers; `None` where neither end is bounded.
    pub(super) fn from_power_ratios((low, middle, high): (f64, f64, f64)) -> Option<Self> {
        let db = |ratio: f64| 10.0 * ratio.log10();
        if [low, middle, high].iter().any(|q| q.is_nan()) || low == f64::INFINITY {
            return None;
        }
        // At levels near 0 the ends and the middle, each found by itself, may cross by a rounding.
        let (low, high) = (low.min(middle), high.max(middle));
        if low > 0.0 && high.is_finite() {
            Some(Self {
                value: db(middle),
                low: db(low),
                high: Some(db(high)),
            })
        } else if low > 0.0 {
            Some(Self {
                value: db(low),
                low: db(low),
                high: None,
            })
        } else if high.is_finite() && high > 0.0 {
            Some(Self {
                value: db(if middle > 0.0 { middle } else { high }),
                low: f64::NEG_INFINITY,
                high: Some(db(high)),
            })
        } else {
            None
        }
    }

    /// The interval in words, as `33.0 to 33.1 dB`, `at least 29.3 dB`; `None` where neither end is known.
    #[must_use]
    pub fn interval(&self) -> Option<String> {
        match self.high.filter(|high| high.is_finite()) {
            Some(high) if self.low.is_finite() => {
                Some(format!("{} to {} dB", tenths(self.low), tenths(high)))
            }
            Some(high) => Some(format!("at most {} dB", tenths(high))),
            None if self.low.is_finite() => Some(format!("at least {} dB", tenths(self.low))),
            None => None,
        }
    }

    /// Value and interval in words: one end alone where the other is not known.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let interval = self.interval()?;
        let both = self.low.is_finite() && self.high.is_some_and(f64::is_finite);
        Some(if both {
            format!("{} dB ({interval})", tenths(self.value))
        } else {
            interval
        })
    }

    /// Whether the interval lies wholly above or wholly below 0 dB.
    #[must_use]
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high.is_some_and(|high| high < 0.0)
    }
}

/// Decibels to one decimal, without a minus before zero.
#[must_use]
pub fn tenths(db: f64) -> String {
    format!("{:.1}", if db.abs() < 0.05 { 0.0 } else { db })
}

/// What a comparison says of one figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
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

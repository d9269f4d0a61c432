//! One figure under the conditions, and what is said of it.

use super::ratio::DecibelRatio;
use crate::Condition;
use crate::numeric::null;
use crate::quantity::Quantity;
use crate::stats::Estimate;
use serde::{Deserialize, Serialize};
use std::fmt;

/// One figure under the conditions. A reading is `None` where no capture of the condition can speak of the figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ComparedQuantity {
    /// What it is of: `dc_offset`, `hum_rms`, `harmonic_1_rms` and so on, `noise_rms`, `ac_rms`, `peak_to_peak`, `line`.
    pub name: Quantity,
    /// Unit of its readings and excesses: that of the channels.
    pub unit: String,
    /// Reading with the probe shorted.
    pub baseline: Option<Estimate>,
    /// Reading with the loop closed.
    pub looped: Option<Estimate>,
    /// Reading with the loop broken.
    pub isolated: Option<Estimate>,
    /// Looped above baseline: the root of the difference of their squares, for `dc_offset` the plain difference; `None`
    /// without either reading.
    pub loop_excess: Option<Estimate>,
    /// Isolated above baseline, likewise.
    pub residual_excess: Option<Estimate>,
    /// Looped to isolated (without isolated captures: looped to baseline), dB, above 0 where it fell; `None` where both
    /// readings are unresolved, one is not there or the two do not compare.
    pub improvement_db: Option<DecibelRatio>,
    /// Loop excess to residual excess, dB: what the remedy did to the interference itself; `None` without one of the three
    /// conditions, or where neither excess is resolved.
    pub excess_reduction_db: Option<DecibelRatio>,
    /// What can be said of the improvement.
    pub verdict: Verdict,
    /// What the uncertainty of the improvement rests on; `None` where two readings were not compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basis: Option<Basis>,
    /// Probability, two-sided, of an improvement or a worsening as large as this one between equal conditions (from single
    /// captures: between conditions that differ by 1 dB: common practice, no source); `None` where two readings were not
    /// compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_value: Option<f64>,
    /// The same, corrected for the number of figures (S. Holm, Scand. J. Stat. 6, 1979); the verdict rests on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adjusted_p_value: Option<f64>,
    /// Why the readings are not compared, in words; `None` where nothing keeps them from it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_compared: Option<String>,
    /// Random scatter and the instrument's limits of error together, where those were given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty: Option<ExpandedUncertainties>,
}

impl ComparedQuantity {
    /// A figure of which nothing is known yet: no reading, no ratio, `Unresolved`.
    #[must_use]
    pub fn new(name: Quantity, unit: impl Into<String>) -> Self {
        Self {
            name,
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

    /// What may be told of one of its ratios, `improvement_db` or `excess_reduction_db`: where the verdict is `AtFloor` its
    /// lower bound alone (`None` without one), else the ratio as it is.
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

    /// The reading under a condition; `None` where there is none.
    #[must_use]
    pub fn reading(&self, condition: Condition) -> Option<&Estimate> {
        match condition {
            Condition::Baseline => self.baseline.as_ref(),
            Condition::Looped => self.looped.as_ref(),
            Condition::Isolated => self.isolated.as_ref(),
        }
    }

    /// The reading under a condition, widened to its expanded uncertainty where the instrument's limits of
    /// error were given; never narrower than the scatter's, and of an RMS never below 0. `None` without a reading, without
    /// those limits, or where the expanded uncertainty is not bounded.
    #[must_use]
    pub fn expanded(&self, condition: Condition) -> Option<Estimate> {
        let reading = self.reading(condition)?;
        let all = self.expanded_uncertainty?;
        let half = match condition {
            Condition::Baseline => all.baseline,
            Condition::Looped => all.looped,
            Condition::Isolated => all.isolated,
        }?
        .value;
        if !half.is_finite() {
            return None;
        }
        let least = match self.name {
            Quantity::DcOffset => f64::NEG_INFINITY,
            _ => 0.0,
        };
        Some(Estimate {
            low: (reading.value - half).max(least).min(reading.low),
            high: (reading.value + half).max(reading.high),
            ..*reading
        })
    }
}

/// A line that is no order of the mains, matched between the captures of all conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ComparedLine {
    /// Where it was found, Hz: the mean of the captures that show it.
    pub frequency_hz: Estimate,
    /// Its RMS under the conditions and what became of it; a reading from 0 where it does not stand above
    /// the noise, `None` where a condition cannot speak of it. Its name is `line`.
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

/// Expanded uncertainties of one figure, in its unit (`improvement_db` in dB); `None` where there is no such figure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct ExpandedUncertainties {
    /// Of the baseline reading.
    pub baseline: Option<ExpandedUncertainty>,
    /// Of the looped reading.
    pub looped: Option<ExpandedUncertainty>,
    /// Of the isolated reading.
    pub isolated: Option<ExpandedUncertainty>,
    /// Of the ratio of the two readings: errors common to both cancel. `None` where one of the two may be 0.
    pub improvement_db: Option<ExpandedUncertainty>,
}

/// An expanded uncertainty (JCGM 100:2008, 6.2): the standard uncertainty times the coverage factor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ExpandedUncertainty {
    /// Half-width of the interval, in the figure's unit; infinite (`null` as JSON) where the factor is.
    #[serde(deserialize_with = "null::infinite")]
    pub value: f64,
    /// By what the combined standard uncertainty was multiplied; infinite (`null` as JSON) where its degrees of
    /// freedom tell nothing.
    #[serde(deserialize_with = "null::infinite")]
    pub coverage_factor: f64,
    /// Effective degrees of freedom; `None` where they are infinite.
    pub degrees_of_freedom: Option<f64>,
}

/// What a comparison says of one figure. `Improved`, `Worse` and `AtFloor` are said only where the corrected probability of
/// chance ([`ComparedQuantity::adjusted_p_value`]) is at most 1 - confidence as well.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The whole interval of the improvement lies above 0 dB.
    Improved,
    /// The whole interval lies below 0 dB.
    Worse,
    /// The interval holds 0 dB, chance would do as much, or the readings do not compare.
    Unresolved,
    /// Improved, and what is left cannot be told from the baseline or, without one, from nothing.
    AtFloor,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

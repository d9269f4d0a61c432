//! The result of a comparison. Field names are those of the JSON output.

use super::compared::{ComparedLine, ComparedQuantity};
use super::outlook::SignalOutlook;
use super::repeats::Repeats;
use crate::analysis::Evidence;
use crate::limit::Judgement;
use crate::quantity::Quantity;
use crate::{Condition, Warning};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How the family-wise handling reads in a report.
const VERDICT_METHOD: &str = "Holm's step-down procedure over all figures of the table, half of \
the error probability for dc_offset, hum_rms, noise_rms, ac_rms and peak_to_peak, half for the \
harmonics (a quarter where there are lines that are no order, which have the other): between equal conditions the chance of any false 'improved' or 'worse' in the table is at \
most 1 - confidence, however the figures depend on each other. From single captures a change is called \
only beyond 1 dB, which grid and loads may change by themselves. Each single interval stays at the \
stated confidence.";

/// What the loop adds and what the remedy takes away, figure by figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Comparison {
    /// Level of every interval, between 0 and 1.
    pub confidence: f64,
    /// Nominal mains frequency at which hum is compared, Hz.
    pub mains_nominal_hz: f64,
    /// Band of the noise figures, lower and upper edge, Hz; both 0 where the captures have no band in common.
    pub band_hz: (f64, f64),
    /// How many captures each condition has.
    pub captures: CaptureCounts,
    /// One entry a figure: offset, hum, its harmonics by rising order, noise, AC, peak to peak.
    pub quantities: Vec<ComparedQuantity>,
    /// Lines that are no order of the mains, the strongest first.
    #[serde(default)]
    pub lines: Vec<ComparedLine>,
    /// What limits the comparison.
    pub warnings: Vec<Warning>,
    /// How the verdicts of the whole table are kept from false alarms, in words.
    pub verdict_method: Cow<'static, str>,
    /// Captures that do not speak of some figures, and why.
    pub left_out: Vec<LeftOut>,
    /// How well captures of one condition agree: an entry for offset, hum and noise of each condition with several.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeats: Vec<Repeats>,
    /// What became of the acceptance limits, in their order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<Judgement>,
    /// How well a wanted signal can be measured beside the interference; `None` where none was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signal: Option<SignalOutlook>,
    /// Sentences on what the intervals cover here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// What the conditions, held against each other, point to as a cause.
    #[serde(default)]
    pub evidence: Vec<Evidence>,
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
            verdict_method: Cow::Borrowed(VERDICT_METHOD),
            left_out: Vec::new(),
            repeats: Vec::new(),
            limits: Vec::new(),
            signal: None,
            notes: Vec::new(),
            evidence: Vec::new(),
        }
    }

    /// The figure of this quantity or fixed name (`"hum_rms"`); `None` where the comparison holds none of it. Lines that are
    /// no order are in `lines`.
    #[must_use]
    pub fn quantity(&self, name: impl TryInto<Quantity>) -> Option<&ComparedQuantity> {
        let name = name.try_into().ok()?;
        self.quantities.iter().find(|q| q.name == name)
    }

    /// Whether every acceptance limit is met; true without any.
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

impl CaptureCounts {
    /// The counts that a function gives.
    pub(crate) fn by(count: impl Fn(Condition) -> usize) -> Self {
        Self {
            baseline: count(Condition::Baseline),
            looped: count(Condition::Looped),
            isolated: count(Condition::Isolated),
        }
    }

    /// The count of a condition.
    #[must_use]
    pub fn of(&self, condition: Condition) -> usize {
        match condition {
            Condition::Baseline => self.baseline,
            Condition::Looped => self.looped,
            Condition::Isolated => self.isolated,
        }
    }
}

/// A capture that does not speak of a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LeftOut {
    /// Its file.
    pub file: String,
    /// Its channel; empty where the capture could not be measured at all.
    pub channel: String,
    /// The condition it was taken under.
    pub condition: Condition,
    /// Fixed name of the quantity that it does not speak of; `hum_rms` stands for its harmonics too, `lines`
    /// for every line that is no order.
    pub quantity: String,
    /// Why, in words.
    pub why: String,
}

impl LeftOut {
    /// A capture's channel left out of these quantities, each an entry.
    pub(in crate::comparison) fn of<'a>(
        (file, channel): (&'a str, &'a str),
        condition: Condition,
        quantities: &'a [Quantity],
        why: &'a str,
    ) -> impl Iterator<Item = Self> + use<'a> {
        quantities.iter().map(move |quantity| Self {
            file: file.to_owned(),
            channel: channel.to_owned(),
            condition,
            quantity: match quantity {
                Quantity::Line => "lines".to_owned(),
                one => one.to_string(),
            },
            why: why.to_owned(),
        })
    }
}

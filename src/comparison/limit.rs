//! Acceptance limits.

use super::result::Comparison;
use crate::{Condition, Error, ErrorKind};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// What a limit bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Bounded {
    /// The reading's upper bound must not exceed the limit.
    Reading,
    /// The improvement's lower bound, dB, must reach the limit.
    Improvement,
    /// The excess reduction's lower bound, dB, must reach the limit.
    ExcessReduction,
}

/// An acceptance limit: `hum_rms=100u`, `improvement.hum_rms=20dB`, `excess_reduction.hum_rms=20dB`.
///
/// ```
/// use humsieve::comparison::{Bounded, Limit};
/// let limit: Limit = "improvement.hum_rms=20dB".parse()?;
/// assert_eq!((limit.bounded, limit.value), (Bounded::Improvement, 20.0));
/// let limit: Limit = "hum_rms=100u".parse()?;
/// assert!((limit.value - 1e-4).abs() < 1e-12);
/// assert!("loudness=3".parse::<Limit>().is_err());
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Limit {
    /// What is bounded.
    pub bounded: Bounded,
    /// Fixed name of the quantity.
    pub quantity: String,
    /// The limit: units of the channel, or dB.
    pub value: f64,
}

impl Limit {
    /// A limit on a known quantity.
    ///
    /// # Errors
    /// `BadOption` where the quantity is none that is compared, or the value not finite or, for a
    /// reading, negative.
    pub fn new(bounded: Bounded, quantity: impl Into<String>, value: f64) -> Result<Self, Error> {
        let quantity = quantity.into();
        let order = quantity
            .strip_prefix("harmonic_")
            .and_then(|rest| rest.strip_suffix("_rms"))
            .and_then(|order| order.parse::<u32>().ok());
        let known = matches!(
            quantity.as_str(),
            "dc_offset" | "hum_rms" | "noise_rms" | "ac_rms" | "peak_to_peak"
        ) || order.is_some_and(|order| order > 0);
        if !known {
            return Err(bad(format!(
                "'{quantity}' is no quantity with a limit; known are dc_offset, hum_rms, \
                 harmonic_N_rms, noise_rms, ac_rms, peak_to_peak, each also after \
                 'improvement.' or 'excess_reduction.'"
            )));
        }
        if !value.is_finite() || (bounded == Bounded::Reading && value < 0.0) {
            return Err(bad(format!(
                "the limit of {quantity} is {value}; it must be finite, and not negative for a \
                 reading"
            )));
        }
        Ok(Self {
            bounded,
            quantity,
            value,
        })
    }

    /// Judges the limit against a comparison: a reading under the last condition that has one
    /// (isolated, else looped), an offset by its magnitude.
    ///
    /// The whole interval must lie on the good side to pass and on the bad side to fail: acceptance
    /// and rejection guarded by the interval's own width, and undecided in between (JCGM 106:2012,
    /// 8.3; of the risk of a wrong acceptance at most half of 1 - confidence is left).
    #[must_use]
    pub fn judge(&self, comparison: &Comparison) -> Judgement {
        let quantity = comparison.quantity(&self.quantity);
        let reading = quantity.and_then(|q| {
            [Condition::Isolated, Condition::Looped]
                .into_iter()
                .find_map(|c| q.reading(c).map(|e| (c, e)))
        });
        let ratio = quantity.and_then(|q| match self.bounded {
            Bounded::Reading => None,
            Bounded::Improvement => q.improvement_db,
            Bounded::ExcessReduction => q.excess_reduction_db,
        });
        match (self.bounded, reading, ratio) {
            (Bounded::Reading, Some((condition, e)), _) => Judgement {
                condition: Some(condition),
                ..self.judge_interval(Some((e.low, e.high)))
            },
            (Bounded::Improvement | Bounded::ExcessReduction, _, Some(ratio)) => {
                let missed = ratio.high.is_some_and(|high| high < self.value);
                self.judgement(
                    Some(ratio.low).filter(|low| low.is_finite()),
                    Acceptance::of(ratio.low >= self.value, missed),
                )
            }
            _ => self.judgement(None, Acceptance::Undecided),
        }
    }

    /// Judges a limit on a reading against its interval, an offset by its magnitude; `None` where
    /// there is no reading.
    #[must_use]
    pub fn judge_interval(&self, interval: Option<(f64, f64)>) -> Judgement {
        let Some((low, high)) = interval else {
            return self.judgement(None, Acceptance::Undecided);
        };
        let upper = low.abs().max(high.abs());
        let lower = if low <= 0.0 && high >= 0.0 {
            0.0
        } else {
            low.abs().min(high.abs())
        };
        self.judgement(
            Some(upper),
            Acceptance::of(upper <= self.value, lower > self.value),
        )
    }

    fn judgement(&self, bound: Option<f64>, outcome: Acceptance) -> Judgement {
        Judgement {
            bounded: self.bounded,
            quantity: self.quantity.clone(),
            limit: self.value,
            condition: None,
            bound,
            outcome,
        }
    }
}

impl FromStr for Limit {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            bad(format!(
                "'{text}' is no limit; write QUANTITY=VALUE, as in hum_rms=100u"
            ))
        })?;
        let (bounded, quantity) = match name.trim().split_once('.') {
            Some(("improvement", quantity)) => (Bounded::Improvement, quantity),
            Some(("excess_reduction", quantity)) => (Bounded::ExcessReduction, quantity),
            _ => (Bounded::Reading, name.trim()),
        };
        let value = value.trim();
        let number = match bounded {
            Bounded::Reading => with_si_suffix(value),
            _ => value.trim_end_matches("dB").trim().parse().ok(),
        };
        let number = number.ok_or_else(|| {
            bad(format!(
                "'{value}' is no number; write one as in 100u (a reading) or 20dB (a reduction)"
            ))
        })?;
        Self::new(bounded, quantity, number)
    }
}

/// A number with an SI suffix from n to M, as `100u`.
fn with_si_suffix(text: &str) -> Option<f64> {
    let (digits, factor) = match text.chars().last()? {
        'n' => (text.strip_suffix('n')?, 1e-9),
        'u' => (text.strip_suffix('u')?, 1e-6),
        'µ' => (text.strip_suffix('µ')?, 1e-6),
        'm' => (text.strip_suffix('m')?, 1e-3),
        'k' => (text.strip_suffix('k')?, 1e3),
        'M' => (text.strip_suffix('M')?, 1e6),
        _ => (text, 1.0),
    };
    digits.trim().parse::<f64>().ok().map(|x| x * factor)
}

/// What a limit says. Only `Pass` meets it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Acceptance {
    /// The whole interval lies on the good side.
    Pass,
    /// The whole interval lies on the bad side.
    Fail,
    /// The interval straddles the limit, or there is no figure to judge.
    Undecided,
}

impl Acceptance {
    fn of(good: bool, bad: bool) -> Self {
        if good {
            Self::Pass
        } else if bad {
            Self::Fail
        } else {
            Self::Undecided
        }
    }
}

impl fmt::Display for Acceptance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Undecided => "undecided",
        })
    }
}

/// A limit with the bound that was held against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Judgement {
    /// What is bounded.
    pub bounded: Bounded,
    /// Fixed name of the quantity.
    pub quantity: String,
    /// The limit.
    pub limit: f64,
    /// The condition whose reading was judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// The reading's upper or the reduction's lower bound; `None` where there is none.
    pub bound: Option<f64>,
    /// What follows.
    pub outcome: Acceptance,
}

impl Judgement {
    /// Whether the limit is met.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.outcome == Acceptance::Pass
    }
}

fn bad(message: String) -> Error {
    Error::new(ErrorKind::BadOption, message)
}

//! Acceptance limits on quantities.

use crate::analysis::Measurement;
use crate::quantity::Quantity;
use crate::{Condition, Error, ErrorKind, si};
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
/// It is read from such text (`parse`), with a quantity that [is compared](Quantity::is_compared) and a number with an SI
/// prefix; text that is no limit is `BadOption`.
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Limit {
    /// What is bounded.
    pub bounded: Bounded,
    /// The quantity; one that [is compared](Quantity::is_compared).
    pub quantity: Quantity,
    /// The limit: in the unit of the channel for a reading, else in dB.
    pub value: f64,
}

impl Limit {
    /// A limit on the quantity of this fixed name; the value is in the unit of the channel for a reading, else in dB.
    ///
    /// # Errors
    /// `BadOption` where the quantity is none that is compared, or the value not finite or, for a
    /// reading, negative.
    pub fn new(bounded: Bounded, quantity: &str, value: f64) -> Result<Self, Error> {
        let known = quantity.parse().ok().filter(|q: &Quantity| q.is_compared());
        let Some(known) = known else {
            return Err(bad(format!(
                "'{quantity}' is no quantity with a limit; known are dc_offset, hum_rms, \
                 harmonic_N_rms, noise_rms, ac_rms, peak_to_peak, each also after \
                 'improvement.' or 'excess_reduction.'"
            )));
        };
        if !value.is_finite() || (bounded == Bounded::Reading && value < 0.0) {
            return Err(bad(format!(
                "the limit of {quantity} is {value}; it must be finite, and not negative for a \
                 reading"
            )));
        }
        Ok(Self {
            bounded,
            quantity: known,
            value,
        })
    }

    /// Judges a limit on a reading against one measurement, by the figure's interval or, where it has none, by its value.
    /// One measurement shows no reduction: use [`Comparison::judge`](crate::Comparison::judge) for a limit on one.
    #[must_use]
    pub fn judge_measurement(&self, measurement: &Measurement) -> Judgement {
        if self.bounded != Bounded::Reading {
            return self.undecided();
        }
        let figure = self.quantity.of(measurement);
        let interval = match figure.interval() {
            Some((low, high)) => low.zip(high),
            None => figure.value().map(|value| (value, value)),
        };
        interval.map_or_else(
            || self.undecided(),
            |(low, high)| self.judge_reading(low, high),
        )
    }

    /// Judges a limit on a reading against its interval, an offset by its magnitude.
    ///
    /// The whole interval must lie on the good side to pass and on the bad side to fail: acceptance
    /// and rejection guarded by the interval's own width, and undecided in between (JCGM 106:2012,
    /// 8.3; of the risk of a wrong acceptance at most half of 1 - confidence is left).
    #[must_use]
    pub fn judge_reading(&self, low: f64, high: f64) -> Judgement {
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

    /// Judges a limit on a reduction against its interval in dB, which may have no upper end.
    #[must_use]
    pub fn judge_reduction(&self, low: f64, high: Option<f64>) -> Judgement {
        let missed = high.is_some_and(|high| high < self.value);
        self.judgement(
            Some(low).filter(|low| low.is_finite()),
            Acceptance::of(low >= self.value, missed),
        )
    }

    /// The judgement where there is no figure to judge: `Undecided`, without a bound.
    #[must_use]
    pub fn undecided(&self) -> Judgement {
        self.judgement(None, Acceptance::Undecided)
    }

    fn judgement(&self, bound: Option<f64>, outcome: Acceptance) -> Judgement {
        Judgement {
            bounded: self.bounded,
            quantity: self.quantity,
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
        let unusable = |why: &str| bad(format!("limit {text}: {why}"));
        let (name, value) = text
            .split_once('=')
            .ok_or_else(|| unusable("it must be QUANTITY=VALUE, as in hum_rms=100u"))?;
        let (bounded, quantity) = match name.trim().split_once('.') {
            Some(("improvement", quantity)) => (Bounded::Improvement, quantity),
            Some(("excess_reduction", quantity)) => (Bounded::ExcessReduction, quantity),
            _ => (Bounded::Reading, name.trim()),
        };
        let value = value.trim();
        let number = match bounded {
            Bounded::Reading => si::read(value),
            _ => value
                .strip_suffix("dB")
                .unwrap_or(value)
                .trim_end()
                .parse()
                .ok(),
        };
        let number = number.ok_or_else(|| {
            unusable(&format!(
                "'{value}' is no number; digits with an SI prefix would do, as in 48k or 100u"
            ))
        })?;
        Self::new(bounded, quantity, number).map_err(|error| unusable(error.message()))
    }
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
        self.serialize(f)
    }
}

/// A limit with the bound that was held against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Judgement {
    /// What is bounded.
    pub bounded: Bounded,
    /// The quantity.
    pub quantity: Quantity,
    /// The limit: in the unit of the channel for a reading, else in dB.
    pub limit: f64,
    /// The condition whose reading was judged; `None` for a reduction, a single measurement, or nothing to judge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// The reading's upper or the reduction's lower bound, in the limit's unit; `None` where there is none.
    pub bound: Option<f64>,
    /// Whether the limit is met.
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
    ErrorKind::BadOption.error(message)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    fn limit(text: &str) -> Limit {
        text.parse().unwrap()
    }

    #[test]
    fn readings_take_prefixes_and_reductions_decibels() {
        assert_eq!(limit(" hum_rms = 100 uV").value, 1e-4);
        assert_eq!(limit("harmonic_12_rms=1m").quantity, Quantity::Harmonic(12));
        let reduction = limit("excess_reduction.noise_rms=-3 dB");
        assert_eq!(
            (reduction.bounded, reduction.value),
            (Bounded::ExcessReduction, -3.0)
        );
        for text in [
            "hum_rms",
            "hum_rms=",
            "hum_rms=x",
            "hum_rms=20dB",
            "hum_rms=inf",
            "hum_rms=-1",
            "thd_percent=3",
            "harmonic_0_rms=1",
            "improvement.hum_rms=20u",
            "other.hum_rms=20",
        ] {
            let error = text.parse::<Limit>().unwrap_err();
            assert!(
                error.message().starts_with(&format!("limit {text}: ")),
                "{error}"
            );
        }
    }

    #[test]
    fn the_whole_interval_decides() {
        let hum = limit("hum_rms=10");
        for (interval, outcome) in [
            ((1.0, 10.0), Acceptance::Pass),
            ((-10.0, 1.0), Acceptance::Pass),
            ((9.0, 11.0), Acceptance::Undecided),
            ((-11.0, 11.0), Acceptance::Undecided),
            ((-12.0, -11.0), Acceptance::Fail),
        ] {
            assert_eq!(hum.judge_reading(interval.0, interval.1).outcome, outcome);
        }
        let gain = limit("improvement.hum_rms=20");
        assert!(gain.judge_reduction(20.0, None).passed());
        let unknown = gain.judge_reduction(f64::NEG_INFINITY, Some(30.0));
        assert_eq!(
            (unknown.bound, unknown.outcome),
            (None, Acceptance::Undecided)
        );
        assert_eq!(
            gain.judge_reduction(1.0, Some(19.0)).outcome,
            Acceptance::Fail
        );
    }

    #[test]
    fn a_measurement_is_judged_by_its_figures() {
        let measurement = sample::measurement();
        assert!(limit("hum_rms=4m").judge_measurement(&measurement).passed());
        let exact = limit("peak_to_peak=12m").judge_measurement(&measurement);
        assert_eq!(
            (exact.bound, exact.outcome),
            (Some(13e-3), Acceptance::Fail)
        );
        let reduction = limit("improvement.hum_rms=1dB").judge_measurement(&measurement);
        assert_eq!(
            (reduction.outcome, reduction.bound),
            (Acceptance::Undecided, None)
        );
        let absent = limit("harmonic_40_rms=1").judge_measurement(&measurement);
        assert_eq!(absent.outcome, Acceptance::Undecided);
    }
}

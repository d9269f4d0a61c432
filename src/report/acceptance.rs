//! Acceptance limits on the upper bound of a figure.

use super::reading::{Figure, short};
use super::rows::Row;
use crate::{Error, ErrorKind};
use serde::Serialize;
use std::fmt;

/// An acceptance limit: the upper bound of the named quantity must not exceed the value.
///
/// ```
/// use humsieve::report::Limit;
/// assert!(Limit::new("hum_rms", 100e-6).is_ok());
/// assert!(Limit::new("harmonic_3_rms", 1e-6).is_ok());
/// assert!(Limit::new("loudness", 1.0).is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Limit {
    /// Fixed name of the quantity.
    pub quantity: String,
    /// Largest upper bound that passes, in units of the channel.
    pub value: f64,
}

impl Limit {
    /// A limit on a known quantity.
    ///
    /// # Errors
    /// `BadOption` where the quantity is none that is measured, or the value negative or not finite.
    pub fn new(quantity: impl Into<String>, value: f64) -> Result<Self, Error> {
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
            return Err(Error::new(
                ErrorKind::BadOption,
                format!(
                    "'{quantity}' is no quantity with a limit; known are dc_offset, hum_rms, \
                     harmonic_N_rms, noise_rms, ac_rms, peak_to_peak"
                ),
            ));
        }
        if !(value.is_finite() && value >= 0.0) {
            return Err(Error::new(
                ErrorKind::BadOption,
                format!("the limit of {quantity} is {value}; it must be finite and not negative"),
            ));
        }
        Ok(Self { quantity, value })
    }

    /// Judges the row of that name; an offset by its magnitude.
    #[must_use]
    pub fn judge(&self, rows: &[Row]) -> Judgement {
        let figure = rows
            .iter()
            .find(|row| row.name == self.quantity)
            .map(|row| row.figure);
        self.judge_figure(figure)
    }

    /// Judges a figure; an offset by its magnitude.
    #[must_use]
    pub fn judge_figure(&self, figure: Option<Figure>) -> Judgement {
        let bounds = figure.and_then(|figure| match figure.interval() {
            Some((low, high)) => Some((low?, high?)),
            None => figure.value().map(|value| (value, value)),
        });
        let (upper, outcome) = match bounds {
            None => (None, Acceptance::Undecided),
            Some((low, high)) => {
                let upper = low.abs().max(high.abs());
                let lower = if low <= 0.0 && high >= 0.0 {
                    0.0
                } else {
                    low.abs().min(high.abs())
                };
                let outcome = if upper <= self.value {
                    Acceptance::Pass
                } else if lower > self.value {
                    Acceptance::Fail
                } else {
                    Acceptance::Undecided
                };
                (Some(upper), outcome)
            }
        };
        Judgement {
            quantity: self.quantity.clone(),
            limit: self.value,
            upper,
            outcome,
        }
    }
}

/// What a limit says of a figure. Only `Pass` meets it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Acceptance {
    /// The whole interval lies at or below the limit.
    Pass,
    /// The whole interval lies above the limit.
    Fail,
    /// The interval straddles the limit, or there is no figure to judge.
    Undecided,
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
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Judgement {
    /// Fixed name of the quantity.
    pub quantity: String,
    /// The limit, in units of the channel.
    pub limit: f64,
    /// Upper bound of the figure; `None` where there is none.
    pub upper: Option<f64>,
    /// What follows.
    pub outcome: Acceptance,
}

impl Judgement {
    /// Whether the limit is met.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.outcome == Acceptance::Pass
    }

    /// One sentence for a log.
    #[must_use]
    pub fn sentence(&self, unit: &str) -> String {
        let limit = short(self.limit, unit, 6);
        match (self.outcome, self.upper) {
            (_, None) => format!(
                "{}: there is no figure to hold against the limit of {limit}",
                self.quantity
            ),
            (Acceptance::Pass, Some(upper)) => format!(
                "{}: upper bound {} within the limit of {limit}",
                self.quantity,
                short(upper, unit, 4)
            ),
            (Acceptance::Fail, Some(upper)) => format!(
                "{}: upper bound {} exceeds the limit of {limit}",
                self.quantity,
                short(upper, unit, 4)
            ),
            (Acceptance::Undecided, Some(upper)) => format!(
                "{}: upper bound {} exceeds the limit of {limit}, which lies within the interval; \
                 a longer record may decide",
                self.quantity,
                short(upper, unit, 4)
            ),
        }
    }
}

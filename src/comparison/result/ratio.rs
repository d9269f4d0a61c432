//! Ratios in decibels.

use crate::numeric::null;
use serde::{Deserialize, Serialize};

/// 20 log10 of a ratio of amplitudes with its interval, all in dB.
///
/// `high` is `None` where the divisor is unresolved. `low` is negative infinity (`null` in JSON) where
/// the dividend is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DecibelRatio {
    /// Point estimate; equal to `low` where `high` is `None`, and to `high` where only that end is known.
    pub value: f64,
    /// Lower end: what can be claimed.
    #[serde(deserialize_with = "null::endless_below")]
    pub low: f64,
    /// Upper end; `None` where there is no bound.
    pub high: Option<f64>,
}

impl DecibelRatio {
    /// From the quantiles of a ratio of powers; `None` where neither end is bounded.
    pub(in crate::comparison) fn from_power_ratios(
        (low, middle, high): (f64, f64, f64),
    ) -> Option<Self> {
        let db = |ratio: f64| 10.0 * ratio.log10();
        if [low, middle, high].iter().any(|q| q.is_nan()) || low == f64::INFINITY {
            return None;
        }
        // At levels near 0 the ends and the middle, each found by itself, may cross by a rounding.
        let (low, high) = (low.min(middle), high.max(middle));
        let (value, low, high) = match (low > 0.0, high.is_finite()) {
            (true, true) => (middle, db(low), Some(db(high))),
            (true, false) => (low, db(low), None),
            (false, true) if high > 0.0 => {
                let value = if middle > 0.0 { middle } else { high };
                (value, f64::NEG_INFINITY, Some(db(high)))
            }
            _ => return None,
        };
        let value = db(value);
        Some(Self { value, low, high })
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

    /// Value and interval in words, as `33.0 dB (32.9 to 33.1 dB)`: one end alone where the other is not known, `None` where
    /// neither is.
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

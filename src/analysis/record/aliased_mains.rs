//! Mains that the sample rate does not carry: where it appears once folded.

use crate::analysis::measurement::Tone;
use crate::analysis::options::GRID_RANGE;
use crate::{Warning, WarningCode};

/// A nominal frequency at or above half the rate, as the samples show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AliasedMains {
    nominal_hz: f64,
    rate_hz: f64,
    /// Where the nominal frequency itself appears, Hz.
    at_hz: f64,
    /// Where the grid's range about it appears, Hz.
    range_hz: (f64, f64),
}

impl AliasedMains {
    /// `None` where the rate carries the whole of the grid's range.
    pub(crate) fn of(nominal_hz: f64, rate_hz: f64) -> Option<Self> {
        let half = 0.5 * rate_hz;
        let (low, high) = (
            nominal_hz * (1.0 - GRID_RANGE),
            nominal_hz * (1.0 + GRID_RANGE),
        );
        if high < half {
            return None;
        }
        // Every multiple of half the rate within the range turns it about, at 0 or at half the rate.
        let (first, last) = ((low / half).ceil(), (high / half).floor());
        let (a, b) = (folded(low, rate_hz), folded(high, rate_hz));
        let range_hz = if last - first >= 1.0 {
            (0.0, half)
        } else if last < first {
            (a.min(b), a.max(b))
        } else if first % 2.0 == 0.0 {
            (0.0, a.max(b))
        } else {
            (a.min(b), half)
        };
        Some(Self {
            nominal_hz,
            rate_hz,
            at_hz: folded(nominal_hz, rate_hz),
            range_hz,
        })
    }

    /// Whether a line there may be this mains.
    pub(crate) fn may_be(&self, low_hz: f64, high_hz: f64) -> bool {
        high_hz >= self.range_hz.0 && low_hz <= self.range_hz.1
    }

    pub(crate) fn warning(&self) -> Warning {
        let (low, high) = self.range_hz;
        let place = if high - low >= 0.499 * self.rate_hz {
            "within 1 % of nominal anywhere below half the rate".to_owned()
        } else {
            format!(
                "at {:.6} Hz (within 1 % of nominal: {low:.6} to {high:.6} Hz)",
                self.at_hz
            )
        };
        WarningCode::FoldedMains.warning(format!(
                "the mains at {} Hz is above half the rate of {} Hz and folds: it would appear {place}, and a tone found \
                 there is possibly the mains; capture at more than {:.6} Hz",
                self.nominal_hz,
                self.rate_hz,
                2.0 * self.nominal_hz * (1.0 + 2.0 * GRID_RANGE)
            ),
        )
    }

    /// Tells of tones that they may be this mains.
    pub(crate) fn relate(&self, tones: &mut [Tone]) {
        for tone in tones {
            if self.may_be(tone.frequency_hz.low, tone.frequency_hz.high) {
                let words = format!("possibly the mains at {} Hz, folded", self.nominal_hz);
                tone.relation = Some(words);
            }
        }
    }
}

/// Where a frequency appears among samples of this rate, Hz.
fn folded(frequency_hz: f64, rate_hz: f64) -> f64 {
    (frequency_hz - rate_hz * (frequency_hz / rate_hz).round()).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 50 Hz at 60 S/s appears at 60 - 50 = 10 Hz, at 49 S/s at 1 Hz, at 100 S/s at half the rate.
    #[test]
    fn folds_where_it_should() {
        let at = |rate: f64| AliasedMains::of(50.0, rate).unwrap();
        assert!((at(60.0).at_hz - 10.0).abs() < 1e-12);
        assert!((at(60.0).range_hz.0 - 9.5).abs() < 1e-12);
        assert!((at(60.0).range_hz.1 - 10.5).abs() < 1e-12);
        assert!((at(49.0).at_hz - 1.0).abs() < 1e-12);
        assert_eq!(at(100.0).range_hz.1, 50.0);
        assert!((at(100.0).range_hz.0 - 49.5).abs() < 1e-12);
        assert_eq!(at(50.0).range_hz, (0.0, 0.5));
        assert_eq!(at(1.0).range_hz, (0.0, 0.5));
        assert_eq!(AliasedMains::of(50.0, 102.0), None);
    }
}

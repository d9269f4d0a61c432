//! Wording: what a comparison says, as sentences for a test report.

use super::SINGLE_CAPTURE_MARGIN_DB;
use super::result::{Basis, ComparedQuantity, Comparison, DecibelRatio, Verdict};

impl ComparedQuantity {
    /// What the remedy (without an isolated capture: opening the loop at the probe) did to this figure,
    /// in one sentence that claims no more than the interval supports.
    #[must_use]
    pub fn sentence(&self) -> String {
        let name = &self.name;
        let Some(ratio) = self.improvement_db else {
            return match (self.looped, self.isolated.or(self.baseline)) {
                (Some(_), Some(_)) => format!(
                    "{name}: neither reading can be told from the instrument's floor, so nothing can \
                     be said of its change."
                ),
                _ => format!(
                    "{name}: one of the readings is missing, so there is no change to tell."
                ),
            };
        };
        match self.verdict {
            Verdict::AtFloor => format!(
                "{name} fell by at least {:.1} dB; what is left cannot be told from the instrument's \
                 floor.",
                ratio.low
            ),
            Verdict::Improved => format!("{name} fell by {}{}.", span(&ratio), self.interference()),
            Verdict::Worse => format!("{name} rose by {}.", span(&negated(&ratio))),
            Verdict::Unresolved if ratio.excludes_zero() => {
                let why = if self.basis == Some(Basis::WithinCaptures) {
                    format!(
                        "single captures differ by up to {SINGLE_CAPTURE_MARGIN_DB} dB without cause, \
                         so no change is called; take three or more of each condition"
                    )
                } else {
                    "chance gives as much somewhere in a table of this many figures".into()
                };
                format!("{name}: it differs by {}, but {why}.", span(&ratio))
            }
            Verdict::Unresolved => {
                format!(
                    "{name}: no change is told; it lies within {}.",
                    span(&ratio)
                )
            }
        }
    }

    /// What the interference itself lost, where that differs from what the reading lost.
    fn interference(&self) -> String {
        match self.excess_reduction_db {
            Some(DecibelRatio {
                low, high: None, ..
            }) if low.is_finite() => {
                format!("; the interference above the floor fell by at least {low:.1} dB")
            }
            Some(ratio) if ratio.low.is_finite() => {
                format!(
                    "; the interference above the floor fell by {}",
                    span(&ratio)
                )
            }
            _ => String::new(),
        }
    }
}

/// One decimal, without a minus before zero.
fn tenths(db: f64) -> String {
    format!("{:.1}", if db.abs() < 0.05 { 0.0 } else { db })
}

/// Value and interval in words.
fn span(ratio: &DecibelRatio) -> String {
    match ratio.high {
        Some(high) if ratio.low.is_finite() => {
            format!(
                "{} dB ({} to {} dB)",
                tenths(ratio.value),
                tenths(ratio.low),
                tenths(high)
            )
        }
        Some(high) => format!("at most {high:.1} dB"),
        None if ratio.low.is_finite() => format!("at least {:.1} dB", ratio.low),
        None => "an unknown amount".into(),
    }
}

fn negated(ratio: &DecibelRatio) -> DecibelRatio {
    match ratio.high {
        Some(high) if ratio.low.is_finite() => DecibelRatio {
            value: -ratio.value,
            low: -high,
            high: Some(-ratio.low),
        },
        Some(high) => DecibelRatio {
            value: -high,
            low: -high,
            high: None,
        },
        None => *ratio,
    }
}

/// Sentences on what the intervals of this comparison cover.
pub(super) fn notes(comparison: &Comparison) -> Vec<String> {
    let counts = comparison.captures;
    let taken: Vec<usize> = [counts.baseline, counts.looped, counts.isolated]
        .into_iter()
        .filter(|&count| count > 0)
        .collect();
    let mut notes = Vec::new();
    if taken.iter().all(|&count| count == 1) {
        notes.push(
            "One capture of each condition: the intervals hold the scatter within each capture, not \
             what changes from one capture to the next. Take three or more of each condition for \
             intervals that hold both."
                .into(),
        );
    } else if taken.contains(&1) {
        notes.push(
            "A condition with one capture borrows the spread seen between the captures of the others."
                .into(),
        );
    } else {
        notes.push(
            "Several captures of each condition: the intervals rest on the spread between captures, \
             bounded from below by the scatter within them."
                .into(),
        );
    }
    for repeat in &comparison.repeats {
        let unit = if repeat.quantity == "dc_offset" {
            ""
        } else {
            " %"
        };
        if let Some(drift) = repeat.drift {
            notes.push(format!(
                "{} {} drifted by {drift:.3}{unit} from the first capture to the last.",
                repeat.condition, repeat.quantity
            ));
        }
        match repeat.came_back {
            Some(true) => notes.push(format!(
                "{} {} came back to its earlier value when the condition was repeated.",
                repeat.condition, repeat.quantity
            )),
            Some(false) => notes.push(format!(
                "{} {} did not come back to its earlier value when the condition was repeated: \
                 something else changed as well.",
                repeat.condition, repeat.quantity
            )),
            None => {}
        }
    }
    notes
}

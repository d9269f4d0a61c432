//! Wording: what a comparison says, as sentences for a test report.

use super::options::SINGLE_CAPTURE_MARGIN_DB;
use super::result::{Basis, ComparedQuantity, Comparison, DecibelRatio, Repeats, Verdict, tenths};
use crate::quantity::Quantity;
use crate::{Condition, si};

impl ComparedQuantity {
    /// What the remedy (without an isolated capture: opening the loop at the probe) did to this figure,
    /// in one sentence that claims no more than the interval supports.
    #[must_use]
    pub fn sentence(&self) -> String {
        let name = &self.name;
        if let (Some(why), None) = (&self.not_compared, self.improvement_db) {
            return format!("{name}: {why}.");
        }
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
                "{name} fell by at least {} dB; what is left cannot be told from the instrument's \
                 floor.",
                tenths(ratio.low)
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
                let (moved, size) = if ratio.low > 0.0 {
                    ("fell", ratio)
                } else {
                    ("rose", negated(&ratio))
                };
                format!("{name}: the reading {moved} by {}, but {why}.", span(&size))
            }
            Verdict::Unresolved => {
                let within = if ratio.low.is_finite() && ratio.high.is_some() {
                    "it lies within"
                } else {
                    "it is"
                };
                format!("{name}: no change is told; {within} {}.", span(&ratio))
            }
        }
    }

    /// What the interference itself lost, where that differs from what the reading lost.
    fn interference(&self) -> String {
        match self.excess_reduction_db {
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

/// Value and interval in words.
fn span(ratio: &DecibelRatio) -> String {
    ratio
        .words()
        .unwrap_or_else(|| "an unknown amount".to_owned())
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
    let counts = Condition::ALL.map(|condition| comparison.captures.of(condition));
    let taken: Vec<usize> = counts.into_iter().filter(|&count| count > 0).collect();
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
    notes.extend(disagreement(&comparison.repeats, unit_of(comparison)));
    for repeat in &comparison.repeats {
        if let Some(drift) = repeat.drift {
            notes.push(format!(
                "{} {} drifted by {} from the first capture to the last.",
                repeat.condition,
                repeat.quantity,
                spread(repeat.quantity, unit_of(comparison), (drift, 3))
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

/// Which conditions' captures differ by more than twice what their own scatter explains.
fn disagreement<'a>(repeats: &'a [Repeats], unit: &'a str) -> impl Iterator<Item = String> + 'a {
    repeats
        .chunk_by(|a, b| a.condition == b.condition)
        .filter_map(move |of_condition| {
            let condition = of_condition.first()?.condition;
            let figures: Vec<String> = of_condition
                .iter()
                .filter(|r| r.differ && r.spread > 2.0 * r.expected_spread)
                .map(|r| {
                    format!(
                        "{} by {} where {} is explained",
                        r.quantity,
                        spread(r.quantity, unit, (r.spread, 2)),
                        spread(r.quantity, unit, (r.expected_spread, 2))
                    )
                })
                .collect();
            (!figures.is_empty()).then(|| {
                format!(
                    "{condition} captures differ by more than their own scatter ({}): what is measured, \
                     or the way it is connected, changes from one to the next.",
                    figures.join(", ")
                )
            })
        })
}

/// The unit of the channels.
fn unit_of(comparison: &Comparison) -> &str {
    let offset = comparison.quantity(Quantity::DcOffset);
    offset.map_or("V", |quantity| quantity.unit.as_str())
}

/// A spread to so many digits: of an offset in its unit, else a part.
fn spread(quantity: Quantity, unit: &str, (x, digits): (f64, usize)) -> String {
    match quantity {
        Quantity::DcOffset => si::rounded(x, unit, digits),
        _ => si::rounded(x, "%", digits),
    }
}

//! The summary: five sentences at most, for a reader who was not there.

use super::tables::{figure_words, limit_label};
use crate::WarningCode;
use crate::capture::Condition;
use crate::comparison::{Acceptance, ComparedQuantity, Verdict};
use crate::quantity::Quantity;
use crate::report::caution::CAUTIONS;
use crate::session::{LoopState, SessionResult, TestRow};
use crate::si::{self, PrintedEstimate, percent};
use crate::stats::Estimate;

/// What the session shows, in five plain sentences at most.
#[must_use]
pub fn summary(result: &SessionResult) -> Vec<String> {
    [
        swapped_sentence(result),
        Some(loop_sentence(result)),
        wiring_sentence(result),
        remedy_sentence(result),
        acceptance_sentence(result).or_else(|| wanted_sentence(result)),
        trouble_sentence(result),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What is to be heeded before earthing is changed: what this session endangers, then what always holds.
pub(super) fn cautions(result: &SessionResult) -> Vec<String> {
    let always = CAUTIONS.iter().map(|caution| (*caution).to_owned());
    result
        .wiring
        .hazards
        .iter()
        .cloned()
        .chain(always)
        .collect()
}

fn reading(result: &SessionResult, condition: Condition, quantity: Quantity) -> Option<&TestRow> {
    result
        .rows
        .iter()
        .find(|row| row.condition == condition && row.quantity == quantity)
}

/// The floor and the loop taken for each other: said before anything else.
fn swapped_sentence(result: &SessionResult) -> Option<String> {
    let comparison = result.loop_comparison.as_ref()?;
    let mut warnings = comparison.warnings.iter();
    let warning = warnings.find(|w| w.code == WarningCode::ConditionsSwapped)?;
    Some(format!("Before anything else: {}.", warning.message))
}

/// A level in words: its value, or an upper bound where it is not resolved.
fn level(estimate: &Estimate, unit: &str) -> String {
    if estimate.low > 0.0 || estimate.high < 0.0 {
        si::rounded(estimate.value, unit, 3)
    } else {
        format!(
            "less than {}",
            si::rounded(estimate.low.abs().max(estimate.high), unit, 2)
        )
    }
}

fn loop_sentence(result: &SessionResult) -> String {
    let at = |condition, quantity| {
        let row = reading(result, condition, quantity)?;
        Some(level(row.reading.as_ref()?, &row.unit))
    };
    let both = |condition| {
        (
            at(condition, Quantity::HumRms),
            at(condition, Quantity::DcOffset),
        )
    };
    let carried = match both(Condition::Looped) {
        (Some(hum), Some(offset)) => {
            format!("{hum} RMS of mains hum and a DC offset of {offset} lie on every reading")
        }
        (Some(hum), None) => {
            format!("{hum} RMS of mains hum lies on every reading (its offset was not measured)")
        }
        (None, Some(offset)) => {
            format!("a DC offset of {offset} lies on every reading (its hum was not measured)")
        }
        (None, None) => {
            return "No usable capture with the loop closed was given, so nothing can be said of the loop.".into();
        }
    };
    let carried = format!("With the ground loop closed, {carried}");
    match both(Condition::Baseline) {
        (Some(hum), Some(offset)) => {
            format!("{carried}; the instrument alone shows {hum} and {offset}.")
        }
        (Some(hum), None) => format!("{carried}; the instrument alone shows {hum} of hum."),
        _ => format!("{carried}; what of it the instrument adds itself was not measured."),
    }
}

fn wiring_sentence(result: &SessionResult) -> Option<String> {
    let agreement = match result.contradictions.len() {
        0 => "and the captures agree",
        1 => "but one thing contradicts it, see the section on the cause",
        _ => "but several things contradict it, see the section on the cause",
    };
    let words = match result.wiring.state {
        LoopState::Closed => "Both sides are bonded to earth, so a loop exists by the wiring",
        LoopState::ClosedThroughResistor => {
            "Both sides are earthed, one through a resistor, so a weakened loop exists by the wiring"
        }
        LoopState::Open => "One side at least is floating, so no loop exists by the wiring",
        LoopState::Unknown => {
            return Some(
                "How both sides meet earth was not recorded, so the wiring neither confirms nor refutes a loop."
                    .into(),
            );
        }
    };
    Some(format!("{words}, {agreement}."))
}

fn remedy_sentence(result: &SessionResult) -> Option<String> {
    let Some(best) = result.best() else {
        let isolated = result
            .captures
            .iter()
            .any(|capture| capture.entry.condition == Condition::Isolated);
        return Some(if !result.remedies.is_empty() {
            "No remedy that was tried can be used: each opens a protective earth.".into()
        } else if isolated {
            "No remedy could be judged, because its captures or those of the loop could not be used.".into()
        } else {
            "No remedy was tried.".into()
        });
    };
    let usable = result.remedies.iter().filter(|remedy| !remedy.refused);
    let which = match usable.count() {
        1 => format!("The remedy \"{}\"", best.name),
        count => format!("The best of {count} remedies, \"{}\",", best.name),
    };
    let hum = best.quantity(Quantity::HumRms)?;
    let rest = hum.isolated.map_or_else(String::new, |left| {
        format!(" to {}", level(&left, &hum.unit))
    });
    Some(match (hum.verdict, hum.improvement_db) {
        (Verdict::Improved, Some(ratio)) => format!(
            "{which} lowers the hum by {} dB ({} interval){rest}.",
            PrintedEstimate::of(ratio.value, ratio.low, ratio.high, "")
                .to_string()
                .trim_end(),
            percent(result.session.confidence)
        ),
        (Verdict::AtFloor, Some(_)) => format!(
            "{which} lowers the hum by at least {:.1} dB; what is left cannot be told from the instrument's own floor.",
            claim(hum)
        ),
        (Verdict::Worse, Some(ratio)) => {
            format!("{which} makes the hum worse, by {:.1} dB.", -ratio.value)
        }
        _ => format!("{which} has not been shown to lower the hum."),
    })
}

/// What may be claimed of the reading: the lower end of its improvement.
fn claim(hum: &ComparedQuantity) -> f64 {
    hum.improvement_db.map_or(f64::NAN, |ratio| ratio.low)
}

fn acceptance_sentence(result: &SessionResult) -> Option<String> {
    let met = result.limits_met()?;
    let count = result.session.limits.len();
    let state = match result.best() {
        Some(_) => "With it",
        None => "With the loop closed",
    };
    if met {
        return Some(match count {
            1 => format!("{state} the acceptance limit is met."),
            2 => format!("{state} both acceptance limits are met."),
            _ => format!("{state} all {count} acceptance limits are met."),
        });
    }
    let missed: Vec<String> = result
        .judgements()
        .iter()
        .filter_map(|judgement| {
            let name = limit_label(judgement);
            match judgement.outcome {
                Acceptance::Pass => None,
                Acceptance::Fail => Some(format!("{name} fails")),
                Acceptance::Undecided => Some(format!("{name} is undecided")),
            }
        })
        .collect();
    if missed.is_empty() {
        return Some("None of the acceptance limits could be judged.".into());
    }
    let (missed_count, names) = (missed.len(), missed.join(", "));
    Some(match (missed_count, count) {
        (1, 1) => format!("{state} the acceptance limit is not shown to be met: {names}."),
        (1, _) => {
            format!("{state} 1 of {count} acceptance limits is not shown to be met: {names}.")
        }
        (all, _) if all == count => {
            format!("{state} none of the {count} acceptance limits is shown to be met: {names}.")
        }
        _ => format!(
            "{state} {missed_count} of {count} acceptance limits are not shown to be met: {names}."
        ),
    })
}

fn wanted_sentence(result: &SessionResult) -> Option<String> {
    let signal = result.best()?.comparison.signal?;
    let readable = signal.isolated?.smallest_readable?;
    Some(format!(
        "With it a single reading of {} peak or more is good to {}.",
        si::rounded(readable, "V", 2),
        percent(signal.accuracy_percent / 100.0)
    ))
}

fn trouble_sentence(result: &SessionResult) -> Option<String> {
    let lost = result
        .troubles
        .iter()
        .filter(|trouble| trouble.lost)
        .count();
    let others = result.troubles.len() - lost;
    let total = result.captures.len();
    match (lost, others) {
        (0, 0) => None,
        (0, _) => Some(format!(
            "{} what can be said of the captures (see there).",
            figure_words(others, "remark limits", "remarks limit")
        )),
        (_, 0) => Some(format!("{} (see there).", unused_captures(lost, total))),
        _ => Some(format!(
            "{}, and {} what can be said of the others (see there).",
            unused_captures(lost, total),
            figure_words(others, "remark limits", "remarks limit").to_lowercase()
        )),
    }
}

fn unused_captures(lost: usize, total: usize) -> String {
    match total {
        1 => "The only capture could not be used".into(),
        _ => format!("Of {total} captures {lost} could not be used"),
    }
}

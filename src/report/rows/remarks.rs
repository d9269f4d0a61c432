//! What is said beside the tables, a sentence each.

use crate::analysis::Evidence;
use crate::comparison::{Comparison, LeftOut, SignalOutlook};
use crate::limit::{Bounded, Judgement};
use crate::quantity::Quantity;
use crate::si;

/// What is to be said beside the table of a comparison: limits, the wanted signal, what was left out,
/// what the intervals cover.
#[must_use]
pub fn comparison_remarks(comparison: &Comparison) -> Vec<String> {
    let unit = |quantity: Quantity| {
        comparison
            .quantity(quantity)
            .map_or("", |quantity| quantity.unit.as_str())
    };
    let mut remarks: Vec<String> = comparison
        .limits
        .iter()
        .map(|judgement| limit_remark(judgement, unit(judgement.quantity)))
        .collect();
    if let Some(signal) = &comparison.signal {
        remarks.extend(signal_remarks(signal, unit(Quantity::HumRms)));
    }
    remarks.extend(left_out_remarks(&comparison.left_out));
    remarks.extend(comparison.notes.iter().cloned());
    remarks
}

/// Finding and alternatives of a piece of evidence, without a stop at the end.
#[must_use]
pub fn evidence_remark(evidence: &Evidence) -> String {
    match evidence.alternatives.as_slice() {
        [] => evidence.finding.clone(),
        others => format!("{}; or {}", evidence.finding, others.join(", or ")),
    }
}

/// One sentence a capture and reason, with every quantity that it is left out of.
fn left_out_remarks(left_out: &[LeftOut]) -> impl Iterator<Item = String> {
    left_out
        .chunk_by(|a, b| (&a.file, &a.channel, &a.why) == (&b.file, &b.channel, &b.why))
        .filter_map(|entries| {
            let first = entries.first()?;
            let quantities: Vec<&str> = entries.iter().map(|e| e.quantity.as_str()).collect();
            Some(format!(
                "Left out of {}: {}, channel {} ({}): {}.",
                quantities.join(", "),
                first.file,
                first.channel,
                first.condition,
                first.why
            ))
        })
}

/// A limit and what became of it in one sentence.
#[must_use]
pub fn limit_remark(judgement: &Judgement, unit: &str) -> String {
    let (what, unit) = match judgement.bounded {
        Bounded::Reading => ("upper bound", unit),
        Bounded::Improvement => ("lower bound of the improvement", "dB"),
        Bounded::ExcessReduction => ("lower bound of the excess reduction", "dB"),
    };
    let condition = judgement
        .condition
        .map_or_else(String::new, |condition| format!(", {condition}"));
    let bound = known(judgement.bound.map(|bound| si::short(bound, unit, 4)));
    format!(
        "Limit {} of {}{condition}: {}; {what} {bound}.",
        si::short(judgement.limit, unit, 6),
        judgement.quantity,
        judgement.outcome
    )
}

fn known(words: Option<String>) -> String {
    words.unwrap_or_else(|| "not known".to_owned())
}

fn signal_remarks(signal: &SignalOutlook, unit: &str) -> Vec<String> {
    let percent = |x: Option<f64>| known(x.map(|x| format!("{} %", si::short(x, "", 3))));
    [("looped", signal.looped), ("isolated", signal.isolated)]
        .into_iter()
        .filter_map(|(condition, errors)| {
            let errors = errors?;
            let ratio = known(errors.signal_to_noise_db.map(|db| format!("{db:.1} dB")));
            let smallest = errors.smallest_readable.map_or_else(String::new, |volts| {
                format!(
                    "; to {} % nothing below {} can be read",
                    si::short(signal.accuracy_percent, "", 3),
                    si::short(volts, unit, 3)
                )
            });
            Some(format!(
                "A signal of {} amplitude, {condition}: offset {}, hum {}, noise {} of it; signal to \
                 noise {ratio}{smallest}.",
                si::short(signal.amplitude, unit, 4),
                percent(errors.offset_percent),
                percent(errors.hum_percent),
                percent(errors.noise_percent)
            ))
        })
        .collect()
}

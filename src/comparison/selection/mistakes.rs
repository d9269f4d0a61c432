//! Mistakes of the bench that the captures themselves show.

use super::choice::{fingerprint, is_constant};
use crate::analysis::Measurement;
use crate::comparison::options::SINGLE_CAPTURE_MARGIN_DB;
use crate::comparison::result::Comparison;
use crate::quantity::Quantity;
use crate::{Condition, Warning, WarningCode};
use std::collections::BTreeMap;

/// Conditions that were swapped, captures that were given twice: to be said before anything else.
pub(in crate::comparison) fn find(
    captures: &BTreeMap<Condition, Vec<&Measurement>>,
    comparison: &Comparison,
) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = swapped(comparison).into_iter().collect();
    warnings.extend(given_twice(captures));
    warnings
}

/// Whether the floor shows more hum than the loop, by what single captures may differ and more.
fn swapped(comparison: &Comparison) -> Option<Warning> {
    let hum = comparison.quantity(Quantity::HumRms)?;
    let (baseline, looped) = (hum.baseline?, hum.looped?);
    let db = 20.0 * (baseline.low / looped.high).log10();
    if !(db > SINGLE_CAPTURE_MARGIN_DB) {
        return None;
    }
    let words = if db.is_finite() {
        format!("at least {db:.1} dB more hum than")
    } else {
        "hum, and not".into()
    };
    Some(WarningCode::ConditionsSwapped.warning(format!(
        "baseline shows {words} looped: the two are swapped, or the floor was taken with the loop \
             closed; put this right before reading on"
    )))
}

fn given_twice(captures: &BTreeMap<Condition, Vec<&Measurement>>) -> Vec<Warning> {
    let mut known: BTreeMap<_, Vec<(Condition, &str)>> = BTreeMap::new();
    for (&condition, all) in captures {
        for m in all.iter().filter(|m| !is_constant(m)) {
            let entry = known.entry(fingerprint(m)).or_default();
            entry.push((condition, &m.file));
        }
    }
    let twice = known.into_values().filter(|same| same.len() > 1);
    twice
        .map(|same| {
            let names: Vec<String> = same
                .iter()
                .map(|(condition, file)| format!("{file} ({condition})"))
                .collect();
            WarningCode::SameCaptureTwice.warning(format!(
                "the same samples were given as {}: within a condition they count once, between \
                     conditions they show no change; give each capture once",
                names.join(" and ")
            ))
        })
        .collect()
}

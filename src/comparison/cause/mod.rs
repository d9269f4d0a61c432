//! The cause told from conditions held against each other: looped over baseline is what the connection brings, isolated
//! over looped which way it comes in, and against order by what the rest of it comes.
//!
//! Evidence, not proof: each piece with its numbers, what else would look alike, and the next safe thing to try.

mod let_through;
mod path;
mod sources;

use super::result::Comparison;
use super::selection::Selection;
use crate::analysis::{Evidence, EvidenceKind, Measurement};
use crate::{Condition, WarningCode};
use std::collections::BTreeMap;

/// What the conditions point to.
pub(super) fn evidence(
    comparison: &Comparison,
    selections: &BTreeMap<Condition, Selection<'_>>,
) -> Vec<Evidence> {
    let mut warnings = comparison.warnings.iter();
    if warnings.any(|w| w.code == WarningCode::ConditionsSwapped) {
        return Vec::new();
    }
    let looped: &[&Measurement] = selections
        .get(&Condition::Looped)
        .map_or(&[], |s| &s.alternating);
    let hum = path::brought(comparison, looped);
    let mut found: Vec<Evidence> = hum
        .and_then(|hum| path::way(comparison, hum))
        .into_iter()
        .collect();
    if found.iter().any(|way| way.kind == EvidenceKind::Conducted) {
        found.extend(path::remainder(comparison));
        found.extend(path::ground_offset(comparison, selections));
    }
    found.extend(sources::brought(comparison, looped, hum.is_some()));
    found
}

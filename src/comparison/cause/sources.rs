//! Sources that the looped captures make possible, of what the connection brings.

use crate::analysis::{Evidence, EvidenceKind, Measurement};
use crate::comparison::result::{ComparedQuantity, Comparison};

/// How far a line that is sought may lie from where a capture shows it, as a fraction of its frequency: as far as lines
/// of captures are matched.
const REACH: f64 = 1e-3;

/// What at least half of the looped captures show, where the connection brings it.
pub(super) fn brought(
    comparison: &Comparison,
    looped: &[&Measurement],
    hum: bool,
) -> Vec<Evidence> {
    let mut found: Vec<Evidence> = Vec::new();
    for item in looped.iter().flat_map(|m| &m.evidence) {
        let shown = looped
            .iter()
            .filter(|m| m.evidence.iter().any(|e| e.kind == item.kind));
        let known = found.iter().any(|e| e.kind == item.kind);
        if !known && 2 * shown.count() >= looped.len() && comes_in(comparison, item, hum) {
            found.push(item.clone());
        }
    }
    found
}

/// Whether what shows a source stands above the instrument's own floor: the hum as a whole, or its line.
fn comes_in(comparison: &Comparison, item: &Evidence, hum: bool) -> bool {
    let line = |name: &str| {
        let hz = item.numbers.get(name).copied().unwrap_or(f64::NAN);
        let mut lines = comparison.lines.iter();
        let found = lines.find(|l| (l.frequency_hz.value - hz).abs() <= REACH * hz);
        found.is_some_and(|line| above_floor(&line.quantity))
    };
    match item.kind {
        EvidenceKind::Rectifier | EvidenceKind::PhaseCut | EvidenceKind::Induced => hum,
        EvidenceKind::SwitchingSupply => line("strongest_tone_hz"),
        EvidenceKind::Motor => line("base_hz"),
        // Earlier versions told more of single records.
        _ => false,
    }
}

fn above_floor(figure: &ComparedQuantity) -> bool {
    match figure.baseline {
        Some(_) => figure.loop_excess.is_some_and(|excess| excess.low > 0.0),
        None => true,
    }
}

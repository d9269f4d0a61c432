//! Sentences above and below the tables.

use crate::analysis::{Evidence, Measurement};
use crate::report::caution::CAUTIONS;
use crate::report::legend::{FLOOR_LEGEND, interval_legend};
use crate::report::rows::evidence_remark;
use crate::wrap::Lines;

pub(super) fn heading(lines: &mut Lines, measurement: &Measurement, record: &str) {
    let Measurement { file, channel, .. } = measurement;
    lines.sentence("", &format!("{file}, channel {channel}: {record}"));
}

pub(super) fn evidence(lines: &mut Lines, evidence: &[Evidence]) {
    if evidence.is_empty() {
        return;
    }
    lines.sentence("", "What points to a cause, and what to try next:");
    for item in evidence {
        lines.sentence("- ", &evidence_remark(item));
        lines.sentence("  next: ", &item.next_step);
    }
}

pub fn cautions(lines: &mut Lines) {
    lines.line("");
    lines.sentence("", "Before any change of earthing or isolation:");
    for caution in CAUTIONS {
        lines.sentence("- ", caution);
    }
}

pub fn legend(lines: &mut Lines, confidence: f64) {
    let intervals = interval_legend(confidence);
    lines.sentence("", &format!("{intervals} {FLOOR_LEGEND}"));
}

/// Keeps a value and its unit on one line.
pub(super) fn tied(value_with_unit: &str) -> String {
    value_with_unit.replace(' ', "\u{a0}")
}

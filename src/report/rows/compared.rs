//! The rows of a comparison, built once; the formats only dress them.

use super::reading::Reading;
use crate::comparison::{ComparedQuantity, Comparison, Verdict};
use crate::quantity::{Figure, Quantity};
use crate::{Warning, WarningCode, si};

/// One figure of a comparison, dressed for a reader.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ComparedRow {
    /// The figure, its ratios as far as they may be told.
    pub compared: ComparedQuantity,
    /// Fixed name; of a line with its number.
    pub name: String,
    /// What a reader sees.
    pub label: String,
    /// Whether a short listing shows it.
    pub prominent: bool,
    /// The sentence for a test report.
    pub sentence: String,
}

impl ComparedRow {
    /// Readings by condition, then what the loop adds and what is left of it.
    pub(in crate::report) fn figures(&self) -> [Figure; 5] {
        let of = &self.compared;
        let (added, left) = (of.loop_excess, of.residual_excess);
        [of.baseline, of.looped, of.isolated, added, left].map(Figure::from)
    }
}

/// Rows of a comparison, in the order of its quantities; of the harmonics the `show` that are largest with
/// the loop closed are prominent.
#[must_use]
pub fn comparison_rows(comparison: &Comparison, show: usize) -> Vec<ComparedRow> {
    let harmonic = |quantity: &&ComparedQuantity| matches!(quantity.name, Quantity::Harmonic(_));
    let mut harmonics: Vec<&ComparedQuantity> =
        comparison.quantities.iter().filter(harmonic).collect();
    // The sort keeps the order of equal ones: the lower order comes first.
    harmonics.sort_by(|a, b| harmonic_looped(b).total_cmp(&harmonic_looped(a)));
    harmonics.truncate(show);
    comparison
        .quantities
        .iter()
        .map(|quantity| {
            let shown = harmonics.iter().any(|other| other.name == quantity.name);
            compared_row(quantity, shown || !harmonic(&quantity))
        })
        .collect()
}

/// Warnings to be said before anything else, and the others.
pub(in crate::report) fn comparison_warnings(
    comparison: &Comparison,
) -> (Vec<&Warning>, Vec<&Warning>) {
    comparison
        .warnings
        .iter()
        .partition(|warning| warning.code == WarningCode::ConditionsSwapped)
}

/// Whether a line's sentence is worth a reader's time: something became of it.
pub(in crate::report) fn told(row: &ComparedRow) -> bool {
    row.prominent && row.compared.verdict != Verdict::Unresolved
}

/// Rows of the lines that are no order, the strongest first; a short listing shows so many.
#[must_use]
pub fn line_rows(comparison: &Comparison, show: usize) -> Vec<ComparedRow> {
    comparison
        .lines
        .iter()
        .enumerate()
        .map(|(index, line)| {
            let place = si::short(line.frequency_hz.value, "Hz", 5);
            let mut row = compared_row(&line.quantity, index < show);
            row.name = format!("line_{}_rms", index + 1);
            row.label = format!("{place}, line RMS");
            let label = format!("line at {place}");
            row.sentence = if line.is_new() {
                let reading = Reading::new(row.compared.isolated.into(), &row.compared.unit);
                format!(
                    "{label} is new with the remedy: {}.",
                    reading.value_with_unit()
                )
            } else {
                named(&line.quantity, &label)
            };
            row
        })
        .collect()
}

/// What a harmonic reads with the loop closed (without such captures: with the loop broken).
fn harmonic_looped(quantity: &ComparedQuantity) -> f64 {
    let reading = quantity.looped.or(quantity.isolated);
    reading.map_or(f64::NEG_INFINITY, |reading| reading.value)
}

fn compared_row(quantity: &ComparedQuantity, prominent: bool) -> ComparedRow {
    let label = quantity.name.label().into_owned();
    ComparedRow {
        compared: ComparedQuantity {
            improvement_db: quantity.claimed(quantity.improvement_db),
            excess_reduction_db: quantity.claimed(quantity.excess_reduction_db),
            ..quantity.clone()
        },
        name: quantity.name.to_string(),
        prominent,
        sentence: named(quantity, &label),
        label,
    }
}

/// The sentence with a label in place of the fixed name.
fn named(quantity: &ComparedQuantity, label: &str) -> String {
    let sentence = quantity.sentence();
    match sentence.strip_prefix(quantity.name.name().as_ref()) {
        Some(rest) => format!("{}{rest}", label.replace(", RMS", " RMS")),
        None => sentence,
    }
}

//! The rows of a comparison, built once; the formats only dress them.

use super::reading::Reading;
use crate::comparison::{ComparedQuantity, Comparison, DecibelRatio, Verdict};
use crate::quantity::{Figure, Quantity};
use crate::{Condition, Warning, WarningCode, si};

/// One figure of a comparison under its conditions.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ComparedRow {
    /// What is compared.
    pub quantity: Quantity,
    /// Fixed name; of a line with its number.
    pub name: String,
    /// What a reader sees.
    pub label: String,
    /// Unit of the readings and excesses.
    pub unit: String,
    /// Reading with the probe shorted.
    pub baseline: Figure,
    /// Reading with the loop closed.
    pub looped: Figure,
    /// Reading with the loop broken.
    pub isolated: Figure,
    /// What the loop adds.
    pub loop_excess: Figure,
    /// What is left of it.
    pub residual_excess: Figure,
    /// Looped to isolated, dB.
    pub improvement_db: Option<DecibelRatio>,
    /// Loop excess to residual excess, dB.
    pub excess_reduction_db: Option<DecibelRatio>,
    /// What can be said.
    pub verdict: Verdict,
    /// Whether a short listing shows it.
    pub prominent: bool,
    /// The sentence for a test report.
    pub sentence: String,
}

impl ComparedRow {
    /// The reading under a condition.
    pub(in crate::report) fn reading(&self, condition: Condition) -> Figure {
        match condition {
            Condition::Baseline => self.baseline,
            Condition::Looped => self.looped,
            Condition::Isolated => self.isolated,
        }
    }

    /// Readings by condition, then what the loop adds and what is left of it.
    pub(in crate::report) fn figures(&self) -> [Figure; 5] {
        [
            self.baseline,
            self.looped,
            self.isolated,
            self.loop_excess,
            self.residual_excess,
        ]
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
    row.prominent && row.verdict != Verdict::Unresolved
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
                let reading = Reading::new(row.isolated, &row.unit);
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
        quantity: quantity.name,
        name: quantity.name.to_string(),
        unit: quantity.unit.clone(),
        baseline: quantity.baseline.into(),
        looped: quantity.looped.into(),
        isolated: quantity.isolated.into(),
        loop_excess: quantity.loop_excess.into(),
        residual_excess: quantity.residual_excess.into(),
        improvement_db: quantity.claimed(quantity.improvement_db),
        excess_reduction_db: quantity.claimed(quantity.excess_reduction_db),
        verdict: quantity.verdict,
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

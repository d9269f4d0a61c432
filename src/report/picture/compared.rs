//! A comparison: what each condition holds and what was taken away, against frequency.

use super::lines::{BY_CONDITION, lines_hz, readings, resolved_only};
use super::measured::SPECTRUM;
use crate::Condition;
use crate::analysis::Measurement;
use crate::comparison::{ComparedQuantity, Comparison, DecibelRatio};
use crate::quantity::Quantity;
use crate::report::legend::interval_legend;
use crate::report::plot::{
    DensityCurve, Role, Sheet, Trace, harmonic_orders, noise_density, taken_away,
};
use std::collections::BTreeMap;

/// Spectra of the conditions (of captures that were measured with theirs), orders with intervals, and the
/// change of each order and line.
#[must_use]
pub fn compared_picture(
    comparison: &Comparison,
    captures: &BTreeMap<Condition, Vec<Measurement>>,
) -> Sheet {
    let unit = comparison
        .quantities
        .first()
        .map_or("V", |quantity| quantity.unit.as_str());
    let mains_hz = comparison.mains_nominal_hz;
    let mut sheet = Sheet::new();
    let shown: Vec<(Role, Condition, &Measurement)> = captures
        .iter()
        .filter_map(|(&condition, all)| {
            let shown = all.iter().find(|m| speaks(m, condition, comparison))?;
            Some((role(condition), condition, shown))
        })
        .collect();
    let lines: Vec<Vec<f64>> = shown.iter().map(|(_, _, m)| lines_hz(m)).collect();
    let spectra: Vec<_> = shown
        .iter()
        .zip(&lines)
        .filter_map(|((role, condition, m), lines_hz)| {
            let spectrum = m.spectrum.as_ref()?;
            let curve = DensityCurve { spectrum, lines_hz };
            Some(Trace::new(*role, condition.to_string(), curve))
        })
        .collect();
    let orders = Condition::ALL.map(|condition| {
        let pick: fn(&ComparedQuantity) -> _ = match condition {
            Condition::Baseline => |q| q.baseline,
            Condition::Looped => |q| q.looped,
            Condition::Isolated => |q| q.isolated,
        };
        Trace::new(
            role(condition),
            condition.to_string(),
            readings(comparison, pick),
        )
    });
    let orders = resolved_only(orders.to_vec());
    let (title, change) = if comparison.captures.isolated > 0 {
        ("What the remedy takes away", "looped to isolated")
    } else {
        ("What the loop adds to the floor", "looped to baseline")
    };
    let confidence = comparison.confidence;
    let plots = [
        noise_density(&spectra, unit, mains_hz, Some(comparison.band_hz)),
        harmonic_orders(&orders, BY_CONDITION, unit, confidence),
        taken_away(&changes(comparison), title, mains_hz, confidence),
    ];
    plots.iter().flatten().for_each(|plot| sheet.plot(plot));
    if !spectra.is_empty() {
        let files: Vec<&str> = shown.iter().map(|(_, _, m)| m.file.as_str()).collect();
        sheet.sentence(&format!(
            "Noise density of one capture of each condition: {}. {SPECTRUM}",
            files.join(", ")
        ));
    }
    sheet.sentence(&format!(
        "Changes are ratios of the readings, {change}; the lower end is what can be claimed. An arrow: this \
         end is not known, of what lies at the floor the lower end alone is told. A hollow marker: not \
         resolved above the noise, or a change whose interval holds 0 dB."
    ));
    sheet.sentence(&interval_legend(confidence));
    sheet
}

fn role(condition: Condition) -> Role {
    match condition {
        Condition::Baseline => Role::Baseline,
        Condition::Looped => Role::Looped,
        Condition::Isolated => Role::Remedy(0),
    }
}

/// Whether the comparison's noise figure rests on it.
fn speaks(m: &Measurement, condition: Condition, comparison: &Comparison) -> bool {
    let noise = Quantity::NoiseRms.name();
    !comparison.left_out.iter().any(|left| {
        left.quantity == noise
            && left.condition == condition
            && left.file == m.file
            && left.channel == m.channel
    })
}

/// Orders that stand above the noise under a condition, and lines, with what became of each.
fn changes(comparison: &Comparison) -> Vec<Trace<Vec<(f64, DecibelRatio)>>> {
    let change = |quantity: &ComparedQuantity| {
        let resolved = |e: Option<crate::Estimate>| e.is_some_and(|e| e.low > 0.0);
        let any = [quantity.baseline, quantity.looped, quantity.isolated];
        let told = quantity.claimed(quantity.improvement_db)?;
        any.into_iter().any(resolved).then_some(told)
    };
    let orders = comparison.quantities.iter().filter_map(|quantity| {
        let Quantity::Harmonic(order) = quantity.name else {
            return None;
        };
        Some((
            order as f64 * comparison.mains_nominal_hz,
            change(quantity)?,
        ))
    });
    let lines = comparison
        .lines
        .iter()
        .filter_map(|line| Some((line.frequency_hz.value, change(&line.quantity)?)));
    vec![
        Trace::new(Role::Remedy(0), "orders of the mains", orders.collect()),
        Trace::new(Role::Looped, "lines that are no order", lines.collect()),
    ]
}

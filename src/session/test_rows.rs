//! The rows of the test report, and the limits held against them.

use super::result::{SessionResult, TestRow};
use crate::capture::Condition;
use crate::comparison::{Bounded, CaptureCounts, ComparedQuantity, Comparison, Judgement, Limit};
use crate::report::Figure;
use crate::stats::Estimate;

/// Figures of the test report beside those that have a limit.
const TEST_QUANTITIES: [&str; 3] = ["dc_offset", "hum_rms", "noise_rms"];

/// The rows of the test report: baseline, looped, every remedy.
pub(super) fn test_rows(result: &SessionResult) -> Vec<TestRow> {
    let mut names: Vec<&str> = TEST_QUANTITIES.into();
    for limit in &result.session.limits {
        if !names.contains(&limit.quantity.as_str()) {
            names.push(&limit.quantity);
        }
    }
    let alone = loop_alone(result);
    let common = result
        .loop_comparison
        .as_ref()
        .or_else(|| result.remedies.first().map(|remedy| &remedy.comparison))
        .or(alone.as_ref());
    let mut rows = Vec::new();
    if let Some(common) = common {
        for condition in [Condition::Baseline, Condition::Looped] {
            let judgements: &[Judgement] = match condition {
                Condition::Looped => &result.loop_judgements,
                _ => &[],
            };
            rows.extend(rows_of(common, condition, None, &names, judgements));
        }
    }
    for remedy in &result.remedies {
        rows.extend(rows_of(
            &remedy.comparison,
            Condition::Isolated,
            Some(&remedy.name),
            &names,
            &remedy.judgements,
        ));
    }
    rows
}

fn rows_of(
    comparison: &Comparison,
    condition: Condition,
    remedy: Option<&str>,
    names: &[&str],
    judgements: &[Judgement],
) -> Vec<TestRow> {
    names
        .iter()
        .filter_map(|name| {
            let quantity = comparison.quantity(name)?;
            let judgement = judgements
                .iter()
                .find(|j| j.bounded == Bounded::Reading && j.quantity == *name);
            Some(TestRow {
                condition,
                remedy: remedy.map(str::to_owned),
                quantity: quantity.name.clone(),
                unit: quantity.unit.clone(),
                reading: *quantity.reading(condition)?,
                expanded: expanded(quantity, condition),
                judgement: judgement.cloned(),
            })
        })
        .collect()
}

/// The limits held against readings that include the instrument's limits of error.
pub(super) fn judge(limits: &[Limit], comparison: &Comparison) -> Vec<Judgement> {
    let mut widened = comparison.clone();
    for quantity in &mut widened.quantities {
        for condition in [Condition::Looped, Condition::Isolated] {
            if let Some(wide) = expanded(quantity, condition) {
                match condition {
                    Condition::Looped => quantity.looped = Some(wide),
                    _ => quantity.isolated = Some(wide),
                }
            }
        }
    }
    limits.iter().map(|limit| limit.judge(&widened)).collect()
}

/// The reading's interval widened to its expanded uncertainty, where the session gives limits of
/// error; never narrower than the scatter's, and of an RMS never below 0.
fn expanded(quantity: &ComparedQuantity, condition: Condition) -> Option<Estimate> {
    let reading = quantity.reading(condition)?;
    let all = quantity.expanded_uncertainty?;
    let half = match condition {
        Condition::Baseline => all.baseline,
        Condition::Looped => all.looped,
        Condition::Isolated => all.isolated,
    }?
    .value;
    if !half.is_finite() {
        return None;
    }
    let least = if quantity.name == "dc_offset" {
        f64::NEG_INFINITY
    } else {
        0.0
    };
    let low = (reading.value - half).max(least).min(reading.low);
    let high = (reading.value + half).max(reading.high);
    Some(Estimate {
        low,
        high,
        ..*reading
    })
}

/// The closed loop's first capture as a comparison of its own, for limits where nothing stands to
/// compare it with.
pub(super) fn loop_alone(result: &SessionResult) -> Option<Comparison> {
    let measurement = result.measurements(Condition::Looped, None).next()?;
    let quantities = crate::report::measurement_rows(measurement)
        .into_iter()
        .filter_map(|row| match row.figure {
            Figure::Estimate(estimate) => {
                let mut quantity = ComparedQuantity::new(row.name, row.unit);
                quantity.looped = Some(estimate);
                Some(quantity)
            }
            _ => None,
        })
        .collect();
    Some(Comparison::new(
        measurement.confidence,
        measurement.mains.nominal_hz,
        measurement.noise.band_hz,
        CaptureCounts::default(),
        quantities,
    ))
}

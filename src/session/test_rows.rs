//! The rows of the test report, and the limits held against them.

use super::result::{SessionResult, TestRow};
use crate::capture::Condition;
use crate::comparison::{Bounded, CaptureCounts, ComparedQuantity, Comparison, Judgement};
use crate::quantity::{Figure, Quantity};

/// Figures of the test report beside those that have a limit.
const TEST_QUANTITIES: [Quantity; 3] = [Quantity::DcOffset, Quantity::HumRms, Quantity::NoiseRms];

/// The rows of the test report: baseline, looped, every remedy.
pub(super) fn test_rows(result: &SessionResult) -> Vec<TestRow> {
    let mut quantities = TEST_QUANTITIES.to_vec();
    for limit in &result.session.limits {
        if !quantities.contains(&limit.quantity) {
            quantities.push(limit.quantity);
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
            rows.extend(rows_of(common, condition, None, &quantities, judgements));
        }
    }
    for remedy in &result.remedies {
        rows.extend(rows_of(
            &remedy.comparison,
            Condition::Isolated,
            Some(&remedy.name),
            &quantities,
            &remedy.judgements,
        ));
    }
    rows
}

fn rows_of(
    comparison: &Comparison,
    condition: Condition,
    remedy: Option<&str>,
    quantities: &[Quantity],
    judgements: &[Judgement],
) -> Vec<TestRow> {
    quantities
        .iter()
        .filter_map(|&name| {
            let quantity = comparison.quantity(name);
            let judgement = judgements
                .iter()
                .find(|j| j.bounded == Bounded::Reading && j.quantity == name);
            let reading = quantity.and_then(|quantity| quantity.reading(condition));
            // A limit has its row, whether or not there is a figure to hold it against.
            if reading.is_none() && judgement.is_none() {
                return None;
            }
            let channels = comparison.quantities.first();
            Some(TestRow {
                condition,
                remedy: remedy.map(str::to_owned),
                quantity: name,
                unit: quantity.or(channels).map_or("V", |q| &q.unit).to_owned(),
                reading: reading.copied(),
                expanded: quantity.and_then(|quantity| quantity.expanded(condition)),
                judgement: judgement.cloned(),
            })
        })
        .collect()
}

/// The closed loop's first capture as a comparison of its own, for limits where nothing stands to
/// compare it with.
pub(super) fn loop_alone(result: &SessionResult) -> Option<Comparison> {
    let measurement = result.measurements(Condition::Looped, None).next()?;
    let quantities = Quantity::measured(measurement)
        .into_iter()
        .filter_map(|quantity| match quantity.of(measurement) {
            Figure::Estimate(estimate) => {
                let unit = quantity.unit(&measurement.unit);
                let mut compared = ComparedQuantity::new(quantity, unit);
                compared.looped = Some(estimate);
                Some(compared)
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

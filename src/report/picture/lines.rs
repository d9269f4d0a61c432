//! Which lines and orders are drawn.

use crate::analysis::Measurement;
use crate::comparison::{ComparedQuantity, Comparison};
use crate::quantity::Quantity;
use crate::report::plot::Trace;
use crate::stats::Estimate;

/// Title of the orders' plot.
pub(in crate::report) const BY_CONDITION: &str = "Mains harmonics by condition";

/// Readings of the orders: order and estimate.
type Orders = Vec<(usize, Estimate)>;

/// Frequencies of the mains orders and tones that were found.
pub(in crate::report) fn lines_hz(measurement: &Measurement) -> Vec<f64> {
    let mains = &measurement.mains;
    let measured = mains.frequency_hz.map(|frequency| frequency.value);
    let fundamental = measured.unwrap_or(mains.nominal_hz);
    let orders = mains
        .harmonics
        .iter()
        .filter(|harmonic| harmonic.detected)
        .map(|harmonic| harmonic.order as f64 * fundamental);
    let tones = measurement.tones.iter().map(|tone| tone.frequency_hz.value);
    orders.chain(tones).collect()
}

/// Readings of the orders under one condition.
pub(in crate::report) fn readings(
    comparison: &Comparison,
    pick: fn(&ComparedQuantity) -> Option<Estimate>,
) -> Orders {
    comparison
        .quantities
        .iter()
        .filter_map(|quantity| {
            let Quantity::Harmonic(order) = quantity.name else {
                return None;
            };
            Some((order, pick(quantity)?))
        })
        .collect()
}

/// The orders that stand above the noise in one trace at least.
pub(in crate::report) fn resolved_only(mut traces: Vec<Trace<Orders>>) -> Vec<Trace<Orders>> {
    let resolved: Vec<usize> = traces
        .iter()
        .flat_map(|trace| &trace.data)
        .filter(|(_, estimate)| estimate.low > 0.0)
        .map(|(order, _)| *order)
        .collect();
    for trace in &mut traces {
        trace.data.retain(|(order, _)| resolved.contains(order));
    }
    traces.retain(|trace| !trace.data.is_empty());
    traces
}

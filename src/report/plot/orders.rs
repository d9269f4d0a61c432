//! Harmonics by condition, with intervals.

use super::axis::{Axis, extent};
use super::chart::{LegendEntry, chart, legend, rule};
use super::marker::marker;
use super::picture::{Frame, Plot};
use super::trace::Trace;
use crate::si::{self, PrintedEstimate};
use crate::stats::Estimate;

const HEIGHT: u32 = 800;
const MOST_ORDERS: usize = 20;

/// RMS of the mains harmonics by condition, each with its interval; hollow markers on the lower
/// edge's side where an interval reaches 0. `None` where nothing is positive.
///
/// Each trace holds order and estimate. Only the first 20 orders that any trace holds are drawn.
#[must_use]
pub fn harmonic_orders(
    traces: &[Trace<Vec<(usize, Estimate)>>],
    title: &'static str,
    unit: &str,
    confidence: f64,
) -> Option<Plot> {
    let mut orders: Vec<usize> = traces
        .iter()
        .flat_map(|trace| trace.data.iter().map(|(order, _)| *order))
        .collect();
    orders.sort_unstable();
    orders.dedup();
    orders.truncate(MOST_ORDERS);
    let place = |order: usize| orders.iter().position(|known| *known == order);
    let drawn = traces.iter().flat_map(|trace| &trace.data);
    let ends = drawn
        .filter(|(order, _)| orders.contains(order))
        .flat_map(|(_, estimate)| [estimate.value, estimate.low, estimate.high]);
    let (lowest, highest) = extent(ends.filter(|end| *end > 0.0 && end.is_finite()));
    if lowest > highest {
        return None;
    }
    let lowest = lowest.max(highest * 1e-5).min(highest / 10.0) / 1.6;
    let x = Axis::named(
        "order of the mains harmonic",
        -0.6,
        orders.len() as f64 - 0.4,
        orders
            .iter()
            .enumerate()
            .map(|(index, order)| (index as f64, format!("{order}")))
            .collect(),
    );
    let y = Axis::logarithmic("RMS", unit, lowest, highest * 1.6);
    let entries: Vec<LegendEntry> = traces.iter().map(LegendEntry::marker).collect();
    let spread = 0.6 / traces.len().max(1) as f64;
    let frame = Frame {
        name: "harmonics",
        title,
        description: describe(traces, unit, confidence),
        height: HEIGHT,
    };
    frame.around(|area| {
        let rest = legend(area, &entries)?;
        let mut chart = chart(&rest, &x, &y)?;
        for (index, trace) in traces.iter().enumerate() {
            let look = trace.role.look();
            let shift = (index as f64 - (traces.len() as f64 - 1.0) / 2.0) * spread;
            for (order, estimate) in &trace.data {
                let Some(column) = place(*order) else {
                    continue;
                };
                let at = column as f64 + shift;
                let height = |value: f64| value.max(lowest).log10().clamp(y.low, y.high);
                let (low, high) = (height(estimate.low), height(estimate.high));
                rule(&mut chart, (at, low), (at, high), look.color, 4)?;
                let resolved = estimate.low > 0.0;
                let middle = if estimate.value > lowest {
                    height(estimate.value)
                } else {
                    high
                };
                chart.draw_series([marker((at, middle), look, resolved)])?;
            }
        }
        Ok(())
    })
}

fn describe(traces: &[Trace<Vec<(usize, Estimate)>>], unit: &str, confidence: f64) -> String {
    let mut text = format!(
        "RMS of the mains harmonics on a logarithmic axis with {} intervals; a hollow marker is not resolved above the noise (its interval reaches 0).",
        si::percent(confidence)
    );
    for trace in traces {
        let largest = trace
            .data
            .iter()
            .max_by(|a, b| a.1.value.total_cmp(&b.1.value));
        if let Some((order, estimate)) = largest {
            text.push_str(&format!(
                " {}: largest is order {order} with {}.",
                trace.label,
                PrintedEstimate::new(estimate, unit)
            ));
        }
    }
    text
}

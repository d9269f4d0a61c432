//! Harmonics by condition, with intervals.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{Chart, LegendEntry, rule};
use super::drawing::marker::marker;
use super::drawing::panels::{Panel, facets, stacked};
use super::drawing::picture::{Drawn, Frame, Plot};
use super::drawing::trace::Trace;
use crate::si::{self, PrintedEstimate};
use crate::stats::Estimate;

/// Of a single panel, and of each of several.
const HEIGHT: u32 = 500;
const PANEL: u32 = 230;
/// Orders that a plot shows.
pub const MOST_ORDERS: usize = 16;

/// RMS of the mains harmonics by condition, each with its interval; hollow markers on the lower
/// edge's side where an interval reaches 0. `None` where nothing is positive.
///
/// Each trace holds order and estimate. Only the first 16 orders that any trace holds are drawn; more than three remedies
/// stand in several panels.
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
    let columns = Columns {
        orders: &orders,
        lowest,
    };
    let parts = facets(traces);
    let panels: Vec<Panel<'_>> = parts
        .iter()
        .map(|part| Panel {
            y: y.clone(),
            height: if parts.len() == 1 { HEIGHT } else { PANEL },
            legend: part
                .iter()
                .map(|trace| LegendEntry::marker(trace))
                .collect(),
            draw: Box::new(|chart| {
                let all = part.iter().enumerate();
                all.into_iter().try_for_each(|(index, trace)| {
                    columns.draw(chart, &y, trace, (index, part.len()))
                })
            }),
        })
        .collect();
    let description = describe(traces, unit, confidence);
    let frame = Frame::new("harmonics", title, description);
    stacked(frame, &[], &x, &panels)
}

/// Where the orders stand, and the least that is drawn.
struct Columns<'a> {
    orders: &'a [usize],
    lowest: f64,
}

impl Columns<'_> {
    /// A trace's readings, the `index`-th of `count` beside each other.
    fn draw(
        &self,
        chart: &mut Chart<'_, '_>,
        y: &Axis,
        trace: &Trace<Vec<(usize, Estimate)>>,
        (index, count): (usize, usize),
    ) -> Drawn<()> {
        let look = trace.role.look();
        let spread = 0.66 / count.max(1) as f64;
        let shift = (index as f64 - (count as f64 - 1.0) / 2.0) * spread;
        for (order, estimate) in &trace.data {
            let Some(column) = self.orders.iter().position(|known| known == order) else {
                continue;
            };
            let at = column as f64 + shift;
            let height = |value: f64| value.max(self.lowest).log10().clamp(y.low, y.high);
            let (low, high) = (height(estimate.low), height(estimate.high));
            rule(chart, (at, low), (at, high), look.color, 4)?;
            let resolved = estimate.low > 0.0;
            let middle = if estimate.value > self.lowest {
                height(estimate.value)
            } else {
                high
            };
            chart.draw_series([marker((at, middle), look, resolved)])?;
        }
        Ok(())
    }
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

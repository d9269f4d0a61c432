//! Improvement of each remedy, with intervals.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{Chart, LegendEntry, rule};
use super::drawing::marker::marker;
use super::drawing::panels::{Panel, stacked};
use super::drawing::picture::{Drawn, Frame, INK, Plot};
use super::drawing::trace::{Role, Trace};
use crate::comparison::DecibelRatio;
use crate::si;
use plotters::prelude::*;

/// A figure and the improvement of it under each remedy.
#[derive(Debug, Clone, PartialEq)]
pub struct DecibelRow {
    /// The figure in words.
    pub figure: String,
    /// Improvement by remedy.
    pub ratios: Vec<Trace<DecibelRatio>>,
}

/// Improvement in decibels by figure and remedy; an arrow stands where the interval has no upper
/// end. `None` without any ratio.
#[must_use]
pub fn improvement(rows: &[DecibelRow], confidence: f64) -> Option<Plot> {
    let ratios = rows
        .iter()
        .flat_map(|row| &row.ratios)
        .map(|ratio| ratio.data);
    let ends = ratios.flat_map(|r| [r.low, r.value, r.high.unwrap_or(r.value)]);
    let (low, high) = extent(ends.filter(|end| end.is_finite()));
    if low > high {
        return None;
    }
    let (low, high) = (low.min(0.0), high.max(0.0));
    let span = (high - low).max(1.0);
    let x = Axis::exact(
        "improvement, loop closed to loop broken",
        "dB",
        low - 0.05 * span,
        high + 0.12 * span,
    );
    let count = rows.len() as f64;
    let y = Axis::named(
        "",
        -0.6,
        count - 0.4,
        rows.iter()
            .enumerate()
            .map(|(index, row)| (count - 1.0 - index as f64, row.figure.clone()))
            .collect(),
    );
    let mut entries: Vec<LegendEntry> = Vec::new();
    for ratio in rows.iter().flat_map(|row| &row.ratios) {
        if entries.iter().all(|entry| entry.role != ratio.role) {
            entries.push(LegendEntry::marker(ratio));
        }
    }
    entries.sort_by_key(|entry| entry.role);
    let roles: Vec<Role> = entries.iter().map(|entry| entry.role).collect();
    let spread = 0.66 / roles.len().max(1) as f64;
    let bars = (rows.len() * roles.len()) as u32;
    let panel = Panel {
        y: y.clone(),
        height: 60 + bars * 20 + rows.len() as u32 * 20,
        legend: entries,
        draw: Box::new(|chart| {
            rule(chart, (0.0, y.low), (0.0, y.high), INK, 3)?;
            for (index, row) in rows.iter().enumerate() {
                for ratio in &row.ratios {
                    let rank = roles.iter().position(|role| *role == ratio.role);
                    let middle = (roles.len() as f64 - 1.0) / 2.0;
                    let shift = (middle - rank.unwrap_or(0) as f64) * spread;
                    let at = count - 1.0 - index as f64 + shift;
                    draw_ratio(chart, &x, at, ratio)?;
                }
            }
            Ok(())
        }),
    };
    let description = describe(rows, confidence);
    let frame = Frame::new("improvement", "Improvement by remedy", description);
    stacked(frame, &[], &x, &[panel])
}

fn draw_ratio(
    chart: &mut Chart<'_, '_>,
    x: &Axis,
    at: f64,
    ratio: &Trace<DecibelRatio>,
) -> Drawn<()> {
    let look = ratio.role.look();
    let inside = |value: f64| value.clamp(x.low, x.high);
    let low = inside(ratio.data.low);
    let value = inside(ratio.data.value);
    match ratio.data.high {
        Some(high) => rule(chart, (low, at), (inside(high), at), look.color, 4)?,
        None => {
            // An arrow's length stands for nothing.
            let tip = (value + 0.08 * (x.high - x.low)).min(x.high);
            rule(chart, (low, at), (tip, at), look.color, 4)?;
            let back = (x.high - x.low) * 0.012;
            let arrow = vec![(tip - back, at + 0.09), (tip, at), (tip - back, at - 0.09)];
            chart.draw_series([PathElement::new(arrow, look.color.stroke_width(4))])?;
        }
    }
    chart
        .draw_series([marker((value, at), look, ratio.data.low > 0.0)])
        .map(drop)
}

fn describe(rows: &[DecibelRow], confidence: f64) -> String {
    let mut text = format!(
        "Improvement in decibels with {} intervals, right of 0 is better; an arrow means that only the lower end can be claimed, a hollow marker that the interval holds 0 or less.",
        si::percent(confidence)
    );
    for row in rows {
        for ratio in &row.ratios {
            let words = ratio.data.words().unwrap_or_else(|| "not known".into());
            text.push_str(&format!(" {}, {}: {words}.", row.figure, ratio.label));
        }
    }
    text
}

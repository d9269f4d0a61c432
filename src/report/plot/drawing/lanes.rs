//! Curves beside each other, a lane each, on one vertical axis.

use super::axis::Axis;
use super::chart::{LegendEntry, line, rule};
use super::panels::{Panel, stacked};
use super::picture::{Frame, Plot};
use super::trace::Trace;
use plotters::style::RGBColor;

const HEIGHT: u32 = 340;
/// Part of a lane that its curve fills.
const FILLED: f64 = 0.92;

/// Draws each curve, its places from 0 to 1, in a lane of its own; lanes have numbers, and the legend says whose they are.
pub(in crate::report::plot) fn lanes(
    frame: Frame,
    curves: &[Trace<Vec<(f64, f64)>>],
    name: &str,
    y: &Axis,
) -> Option<Plot> {
    let x = lane_axis(name, curves.len());
    let entries = numbered(curves, LegendEntry::line);
    let panel = Panel {
        y: y.clone(),
        height: HEIGHT,
        legend: entries,
        draw: Box::new(|chart| {
            for edge in 1..curves.len() {
                let (at, grey) = (edge as f64, RGBColor(150, 150, 150));
                rule(chart, (at, y.low), (at, y.high), grey, 2)?;
            }
            for (lane, curve) in curves.iter().enumerate() {
                let points = curve.data.iter();
                let placed = points.map(|(at, value)| (place(lane, *at), *value));
                line(chart, placed.collect(), curve.role.look())?;
            }
            Ok(())
        }),
    };
    stacked(frame, &[], &x, &[panel])
}

/// An axis of numbered lanes.
pub(in crate::report::plot) fn lane_axis(name: &str, lanes: usize) -> Axis {
    let numbers = (0..lanes).map(|lane| (lane as f64 + 0.5, format!("{}", lane + 1)));
    Axis::named(name, 0.0, lanes as f64, numbers.collect())
}

/// Where a place from 0 to 1 lies in its lane.
pub(in crate::report::plot) fn place(lane: usize, at: f64) -> f64 {
    lane as f64 + 0.5 + FILLED * (at - 0.5)
}

/// Legend of the lanes, numbers first.
pub(in crate::report::plot) fn numbered<T>(
    traces: &[Trace<T>],
    entry: fn(&Trace<T>) -> LegendEntry,
) -> Vec<LegendEntry> {
    traces
        .iter()
        .enumerate()
        .map(|(lane, trace)| {
            let entry = entry(trace);
            LegendEntry {
                label: format!("{} {}", lane + 1, entry.label),
                ..entry
            }
        })
        .collect()
}

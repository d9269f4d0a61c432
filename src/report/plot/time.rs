//! Hum, offset and frequency against time.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{LegendEntry, line};
use super::drawing::panels::{Panel, stacked};
use super::drawing::picture::{Frame, Plot};
use super::drawing::trace::Trace;
use crate::analysis::{Track, TrackPoint};
use crate::si;

const PANEL: u32 = 220;
const MOST_POINTS: usize = 1200;

/// Hum, offset and mains frequency against time, one above the other; `None` where no trace has at least
/// two points.
#[must_use]
pub fn against_time(traces: &[Trace<&Track>], unit: &str) -> Option<Plot> {
    let traces: Vec<&Trace<&Track>> = traces
        .iter()
        .filter(|trace| trace.data.points.len() > 1)
        .collect();
    let points = traces.iter().flat_map(|trace| &trace.data.points);
    let (_, last) = extent(points.map(|point| point.time_s));
    if !last.is_finite() {
        return None;
    }
    let hums = curves(&traces, |point| point.hum_rms);
    let offsets = curves(&traces, |point| point.dc_offset);
    let frequencies = curves(&traces, |point| point.frequency_hz);
    let highest = values(&hums).fold(0.0, f64::max);
    let x = Axis::linear("time", "s", 0.0, last);
    let mut axes = vec![(Axis::linear("hum RMS", unit, 0.0, highest), &hums)];
    let (low, high) = extent(values(&offsets));
    if low.is_finite() && high.is_finite() {
        axes.push((Axis::linear("offset", unit, low, high), &offsets));
    }
    let (low, high) = extent(values(&frequencies));
    if low.is_finite() && high.is_finite() {
        let axis = Axis::linear("mains", "Hz", low, high.max(low + 1e-3));
        axes.push((axis, &frequencies));
    }
    let drawn = &traces;
    let panels: Vec<Panel<'_>> = axes
        .into_iter()
        .map(|(y, curves)| Panel {
            y,
            height: PANEL,
            legend: Vec::new(),
            draw: Box::new(move |chart| {
                let mut all = drawn.iter().zip(curves);
                all.try_for_each(|(trace, curve)| line(chart, curve.clone(), trace.role.look()))
            }),
        })
        .collect();
    let entries: Vec<LegendEntry> = traces
        .iter()
        .map(|trace| LegendEntry::line(trace))
        .collect();
    let title = "Hum, offset and mains frequency against time";
    let frame = Frame::new("against_time", title, describe(&traces, unit));
    stacked(frame, &entries, &x, &panels)
}

fn values(curves: &[Vec<(f64, f64)>]) -> impl Iterator<Item = f64> {
    curves.iter().flatten().map(|(_, value)| *value)
}

/// Finite points of each trace, evenly thinned.
fn curves(traces: &[&Trace<&Track>], pick: fn(&TrackPoint) -> f64) -> Vec<Vec<(f64, f64)>> {
    traces
        .iter()
        .map(|trace| {
            let stride = trace.data.points.len().div_ceil(MOST_POINTS).max(1);
            trace
                .data
                .points
                .iter()
                .step_by(stride)
                .map(|point| (point.time_s, pick(point)))
                .filter(|(_, value)| value.is_finite())
                .collect()
        })
        .collect()
}

fn describe(traces: &[&Trace<&Track>], unit: &str) -> String {
    let mut text =
        String::from("Hum RMS, offset and mains frequency against time, segment by segment.");
    for trace in traces {
        let points = trace.data.points.iter();
        let (low, high) = extent(points.clone().map(|point| point.hum_rms));
        text.push_str(&format!(
            " {}: hum from {} to {}",
            trace.label,
            si::rounded(low, unit, 3),
            si::rounded(high, unit, 3)
        ));
        let (low, high) = extent(points.clone().map(|point| point.dc_offset));
        text.push_str(&format!(
            ", offset from {} to {}",
            si::rounded(low, unit, 3),
            si::rounded(high, unit, 3)
        ));
        let frequencies = points.map(|point| point.frequency_hz);
        let (low, high) = extent(frequencies.filter(|hz| hz.is_finite()));
        if low <= high {
            text.push_str(&format!(", frequency from {low:.3} to {high:.3} Hz"));
        }
        text.push('.');
    }
    text
}

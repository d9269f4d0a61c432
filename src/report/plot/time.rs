//! Hum and frequency against time.

use super::axis::{Axis, extent};
use super::chart::{LegendEntry, chart_with_room, left_room, legend, line};
use super::picture::{Frame, Plot};
use super::trace::Trace;
use crate::analysis::{Track, TrackPoint};
use crate::si;

const HEIGHT: u32 = 1100;
const MOST_POINTS: usize = 1200;

/// Hum and mains frequency against time, one above the other; `None` where no trace has at least
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
    let frequencies = curves(&traces, |point| point.frequency_hz);
    let highest = values(&hums).fold(0.0, f64::max);
    let x = Axis::linear("time", "s", 0.0, last);
    let hum_axis = Axis::linear("hum RMS", unit, 0.0, highest);
    let (low, high) = extent(values(&frequencies));
    let frequency_axis = (low.is_finite() && high.is_finite())
        .then(|| Axis::linear("mains frequency", "Hz", low, high.max(low + 1e-3)));
    let entries: Vec<LegendEntry> = traces
        .iter()
        .map(|trace| LegendEntry::line(trace))
        .collect();
    let height = if frequency_axis.is_some() {
        HEIGHT
    } else {
        HEIGHT / 2 + 90
    };
    let frame = Frame {
        name: "against_time",
        title: "Hum and mains frequency against time",
        description: describe(&traces, unit),
        height,
    };
    frame.around(|area| {
        let rest = legend(area, &entries)?;
        let (upper, lower) = match &frequency_axis {
            Some(_) => {
                let (_, rows) = rest.dim_in_pixel();
                let (upper, lower) = rest.split_vertically((rows / 2) as i32);
                (upper, Some(lower))
            }
            None => (rest, None),
        };
        let room = frequency_axis
            .as_ref()
            .map_or(0, left_room)
            .max(left_room(&hum_axis));
        let upper_x = if lower.is_some() {
            x.unnamed()
        } else {
            x.clone()
        };
        let mut hum_chart = chart_with_room(&upper, &upper_x, &hum_axis, room)?;
        for (trace, curve) in traces.iter().zip(&hums) {
            line(&mut hum_chart, curve.clone(), trace.role.look())?;
        }
        if let (Some(lower), Some(axis)) = (&lower, &frequency_axis) {
            let mut frequency_chart = chart_with_room(lower, &x, axis, room)?;
            for (trace, curve) in traces.iter().zip(&frequencies) {
                line(&mut frequency_chart, curve.clone(), trace.role.look())?;
            }
        }
        Ok(())
    })
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
    let mut text = String::from("Hum RMS and mains frequency against time, segment by segment.");
    for trace in traces {
        let points = trace.data.points.iter();
        let (low, high) = extent(points.clone().map(|point| point.hum_rms));
        text.push_str(&format!(
            " {}: hum from {} to {}",
            trace.label,
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

//! The waveform folded on the mains cycle.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{LegendEntry, line};
use super::drawing::lanes::lanes;
use super::drawing::panels::{Panel, stacked};
use super::drawing::picture::{Frame, Plot};
use super::drawing::trace::Trace;
use crate::analysis::Folded;
use crate::si;
use plotters::prelude::*;

const HEIGHT: u32 = 420;

/// Mean waveform of one mains cycle with a band of one standard deviation; `None` where no trace
/// has at least two phases.
#[must_use]
pub fn folded_cycle(traces: &[Trace<&Folded>], unit: &str, mains_hz: f64) -> Option<Plot> {
    let curves: Vec<&Trace<&Folded>> = traces
        .iter()
        .filter(|trace| points(trace.data).len() > 1)
        .collect();
    let rows = curves.iter().flat_map(|trace| points(trace.data));
    let (low, high) = extent(rows.flat_map(|(_, mean, sd)| [mean - sd, mean + sd]));
    if !(low.is_finite() && high.is_finite()) {
        return None;
    }
    let degrees = [0, 90, 180, 270, 360].map(|at| (f64::from(at), format!("{at}")));
    let x = Axis::named(
        &format!(
            "phase of the {} mains cycle (degrees)",
            si::shortest(mains_hz, "Hz")
        ),
        0.0,
        360.0,
        degrees.to_vec(),
    );
    let y = Axis::linear("less offset", unit, low, high);
    let entries: Vec<LegendEntry> = curves
        .iter()
        .map(|trace| LegendEntry::line(trace))
        .collect();
    let panel = Panel {
        y,
        height: HEIGHT,
        legend: entries,
        draw: Box::new(|chart| {
            for trace in &curves {
                let look = trace.role.look();
                let rows = points(trace.data);
                let upper = rows.iter().map(|(phase, mean, sd)| (*phase, mean + sd));
                let lower = rows
                    .iter()
                    .rev()
                    .map(|(phase, mean, sd)| (*phase, mean - sd));
                let band: Vec<(f64, f64)> = upper.chain(lower).collect();
                chart.draw_series([Polygon::new(band, look.color.mix(0.16).filled())])?;
            }
            for trace in &curves {
                let rows = points(trace.data).into_iter();
                let mean = rows.map(|(phase, mean, _)| (phase, mean)).collect();
                line(chart, mean, trace.role.look())?;
            }
            Ok(())
        }),
    };
    let description = describe(&curves, unit);
    let frame = Frame::new("folded_cycle", "One mains cycle, folded", description);
    stacked(frame, &[], &x, &[panel])
}

/// The mean cycle of each trace in a lane of its own, on a scale of their own; `None` where no trace has at least two phases.
#[must_use]
pub fn residual_cycle(traces: &[Trace<&Folded>], unit: &str) -> Option<Plot> {
    let curves: Vec<Trace<Vec<(f64, f64)>>> = traces
        .iter()
        .map(|trace| {
            let rows = points(trace.data).into_iter();
            let curve = rows.map(|(phase, mean, _)| (phase / 360.0, mean)).collect();
            Trace::new(trace.role, trace.label.clone(), curve)
        })
        .filter(|curve: &Trace<Vec<(f64, f64)>>| curve.data.len() > 1)
        .collect();
    let (low, high) = extent(curves.iter().flat_map(|curve| &curve.data).map(|p| p.1));
    if !(low.is_finite() && high.is_finite()) {
        return None;
    }
    let named: Vec<&Trace<&Folded>> = traces.iter().collect();
    let title = "What is left of the mains cycle";
    let frame = Frame::new("residual_cycle", title, describe(&named, unit));
    let y = Axis::linear("less offset", unit, low, high);
    lanes(frame, &curves, "lanes of one mains cycle", &y)
}

/// What the mean cycle spans, from lowest to highest.
#[must_use]
pub fn cycle_height(folded: &Folded) -> f64 {
    let (low, high) = extent(points(folded).into_iter().map(|row| row.1));
    (high - low).max(0.0)
}

/// Phase in degrees, mean, deviation; finite bins only.
fn points(folded: &Folded) -> Vec<(f64, f64, f64)> {
    folded
        .phase_cycles
        .iter()
        .zip(&folded.mean)
        .zip(&folded.deviation)
        .map(|((phase, mean), deviation)| (360.0 * phase, *mean, *deviation))
        .filter(|(phase, mean, deviation)| {
            phase.is_finite() && mean.is_finite() && deviation.is_finite()
        })
        .collect()
}

fn describe(curves: &[&Trace<&Folded>], unit: &str) -> String {
    let mut text = String::from(
        "Mean waveform over one mains cycle, all cycles of the record laid over each other; the band is one standard deviation of the samples either way.",
    );
    for trace in curves {
        let rows = points(trace.data);
        let (low, high) = extent(rows.iter().map(|row| row.1));
        text.push_str(&format!(
            " {}: from {} to {}.",
            trace.label,
            si::rounded(low, unit, 3),
            si::rounded(high, unit, 3)
        ));
    }
    text
}

//! Samples against time.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{LegendEntry, line};
use super::drawing::lanes::lanes;
use super::drawing::panels::{Panel, stacked};
use super::drawing::picture::{Frame, Plot};
use super::drawing::trace::Trace;
use crate::capture::Snippet;
use crate::si;

const HEIGHT: u32 = 440;
/// Columns in which a waveform of more samples is drawn from its lowest to its highest.
const COLUMNS: usize = 700;

/// Waveforms against time from their records' start; `None` where no trace has two finite samples.
#[must_use]
pub fn waveform(traces: &[Trace<Snippet>], title: &'static str, unit: &str) -> Option<Plot> {
    let curves: Vec<Trace<Vec<(f64, f64)>>> = traces
        .iter()
        .map(|trace| Trace::new(trace.role, trace.label.clone(), points(&trace.data)))
        .filter(|curve| curve.data.len() > 1)
        .collect();
    let all = || curves.iter().flat_map(|curve| curve.data.iter());
    let last = all().map(|p| p.0).fold(0.0, f64::max);
    let low = all().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let high = all().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    if !(low.is_finite() && high.is_finite() && last > 0.0) {
        return None;
    }
    let x = Axis::exact("time from the record's start", "s", 0.0, 1.02 * last);
    let y = Axis::linear("reading", unit, low, high);
    let entries: Vec<LegendEntry> = curves.iter().map(LegendEntry::line).collect();
    let panel = Panel {
        y,
        height: HEIGHT,
        legend: entries,
        draw: Box::new(|chart| {
            let mut all = curves.iter();
            all.try_for_each(|curve| line(chart, curve.data.clone(), curve.role.look()))
        }),
    };
    let frame = Frame::new("waveform", title, describe(&curves, unit, last));
    stacked(frame, &[], &x, &[panel])
}

/// How waveforms of several conditions are drawn beside each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// As they were read.
    Common,
    /// The mean of each taken off.
    Zoom,
}

/// Mains cycles that a lane shows.
const LANE_CYCLES: f64 = 2.0;

/// Two mains cycles of each record on one scale, a lane each; `None` where no trace has two finite samples.
#[must_use]
pub fn waveforms(
    traces: &[Trace<&Snippet>],
    mains_hz: f64,
    unit: &str,
    scale: Scale,
) -> Option<Plot> {
    let curves: Vec<Trace<Vec<(f64, f64)>>> = traces
        .iter()
        .map(|trace| {
            let points = lane_points(trace.data, mains_hz, scale);
            Trace::new(trace.role, trace.label.clone(), points)
        })
        .filter(|curve| curve.data.len() > 1)
        .collect();
    let (low, high) = extent(curves.iter().flat_map(|curve| &curve.data).map(|p| p.1));
    if !(low.is_finite() && high.is_finite()) {
        return None;
    }
    let (name, title, reading) = match scale {
        Scale::Common => ("waveforms", "Waveforms on a common scale", "reading"),
        Scale::Zoom => (
            "waveforms_zoom",
            "Waveforms, the small ones enlarged",
            "reading less mean",
        ),
    };
    let y = Axis::linear(reading, unit, low, high);
    let description = describe(&curves, unit, LANE_CYCLES / mains_hz);
    let frame = Frame::new(name, title, description);
    let each = si::rounded(1e3 * LANE_CYCLES / mains_hz, "", 2);
    lanes(frame, &curves, &format!("lanes of {each} ms"), &y)
}

/// What the first cycles of a record span, from lowest to highest; 0 without a finite sample.
#[must_use]
pub fn snippet_height(snippet: &Snippet, mains_hz: f64) -> f64 {
    let points = lane_points(snippet, mains_hz, Scale::Common);
    let (low, high) = extent(points.iter().map(|point| point.1));
    (high - low).max(0.0)
}

fn lane_points(snippet: &Snippet, mains_hz: f64, scale: Scale) -> Vec<(f64, f64)> {
    let frames = (LANE_CYCLES / mains_hz * snippet.sample_rate_hz).ceil() as usize;
    let shown = Snippet {
        sample_rate_hz: snippet.sample_rate_hz,
        samples: snippet
            .samples
            .iter()
            .copied()
            .take(frames.max(2))
            .collect(),
    };
    let length = shown.samples.len() as f64 / shown.sample_rate_hz;
    let finite = || shown.samples.iter().filter(|value| value.is_finite());
    let mean = match scale {
        Scale::Common => 0.0,
        Scale::Zoom => finite().sum::<f64>() / (finite().count().max(1) as f64),
    };
    points(&shown)
        .into_iter()
        .map(|(time_s, value)| (time_s / length, value - mean))
        .collect()
}

/// Times and values; of many samples the lowest and highest of each column.
fn points(snippet: &Snippet) -> Vec<(f64, f64)> {
    let at = |index: usize| index as f64 / snippet.sample_rate_hz;
    let samples = || {
        let all = snippet.samples.iter().copied().enumerate();
        all.filter(|(_, value)| value.is_finite())
    };
    if snippet.samples.len() <= 2 * COLUMNS {
        return samples().map(|(index, value)| (at(index), value)).collect();
    }
    let width = snippet.samples.len().div_ceil(COLUMNS);
    let mut columns: Vec<(usize, f64, f64)> = Vec::new();
    for (index, value) in samples() {
        match columns.last_mut() {
            Some((column, low, high)) if *column == index / width => {
                *low = low.min(value);
                *high = high.max(value);
            }
            _ => columns.push((index / width, value, value)),
        }
    }
    columns
        .into_iter()
        .flat_map(|(column, low, high)| [(at(column * width), low), (at(column * width), high)])
        .collect()
}

fn describe(curves: &[Trace<Vec<(f64, f64)>>], unit: &str, last: f64) -> String {
    let mut text = format!(
        "Waveform against time, the first {} of the record.",
        si::rounded(last, "s", 3)
    );
    for curve in curves {
        let values = || curve.data.iter().map(|point| point.1);
        text.push_str(&format!(
            " {}: from {} to {}.",
            curve.label,
            si::rounded(values().fold(f64::INFINITY, f64::min), unit, 3),
            si::rounded(values().fold(f64::NEG_INFINITY, f64::max), unit, 3)
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_samples_keep_their_extremes() {
        let mut samples = vec![0.0; 100_000];
        samples[54_321] = 5.0;
        samples[54_322] = -3.0;
        samples[7] = f64::NAN;
        let points = points(&Snippet {
            sample_rate_hz: 1e6,
            samples,
        });
        assert!(points.len() <= 2 * COLUMNS);
        for extreme in [5.0, -3.0] {
            let (time, _) = points.iter().find(|p| p.1 == extreme).unwrap();
            assert!((time - 0.0543).abs() < 2e-4, "{time}");
        }
        assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    }
}

//! Samples against time.

use super::axis::Axis;
use super::chart::{LegendEntry, chart, legend, line};
use super::picture::{Frame, Plot};
use super::trace::Trace;
use crate::capture::Capture;
use crate::si;

const HEIGHT: u32 = 760;
/// Columns in which a waveform of more samples is drawn from its lowest to its highest.
const COLUMNS: usize = 700;

/// Samples from the start of a record on.
#[derive(Debug, Clone, PartialEq)]
pub struct Snippet {
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Samples; what is not finite is left out.
    pub samples: Vec<f64>,
}

/// Mains cycles that a snippet shows.
const CYCLES: f64 = 5.0;
/// Fewest samples that it shows, where the record has them.
const FEWEST: usize = 100;

impl Snippet {
    /// The first cycles of a channel by its name; `None` where there is none of that name.
    #[must_use]
    pub fn first_cycles(capture: &Capture, channel: &str, mains_hz: f64) -> Option<Self> {
        let channels = &capture.header().channels;
        let index = channels.iter().position(|c| c.name == channel)?;
        let sample_rate_hz = capture.sample_rate_hz();
        let count = (CYCLES / mains_hz * sample_rate_hz).ceil() as usize + 1;
        let samples = capture.channel(index)?;
        let count = count.max(FEWEST).min(samples.len());
        Some(Self {
            sample_rate_hz,
            samples: samples.iter().copied().take(count).collect(),
        })
    }
}

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
    let frame = Frame {
        name: "waveform",
        title,
        description: describe(&curves, unit, last),
        height: HEIGHT,
    };
    frame.around(|area| {
        let rest = legend(area, &entries)?;
        let mut chart = chart(&rest, &x, &y)?;
        for curve in &curves {
            line(&mut chart, curve.data.clone(), curve.role.look())?;
        }
        Ok(())
    })
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

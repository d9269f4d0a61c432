//! Noise density against frequency.

use super::Plot;
use super::axis::Axis;
use super::chart::{LegendEntry, chart, legend, line, picture, rule, text_style};
use super::trace::{Role, Trace};
use crate::analysis::Spectrum;
use crate::report::{si, si_short};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const HEIGHT: u32 = 900;
const BINS: usize = 420;
const MARKED_ORDERS: [u32; 7] = [1, 2, 3, 5, 10, 20, 40];

/// Noise density of the conditions on logarithmic axes, mains orders marked; `None` where no
/// trace has a positive density.
///
/// Each point is the density of a narrow band: its RMS, or its peak where a line stands in it.
#[must_use]
pub fn noise_density(
    traces: &[Trace<&Spectrum>],
    mains_hz: f64,
    band_hz: Option<(f64, f64)>,
) -> Option<Plot> {
    let lowest = traces
        .iter()
        .flat_map(|trace| positive(&trace.data.frequency_hz))
        .fold(f64::INFINITY, f64::min);
    let highest = traces
        .iter()
        .flat_map(|trace| positive(&trace.data.frequency_hz))
        .fold(0.0, f64::max);
    if lowest >= highest {
        return None;
    }
    let curves: Vec<Trace<Vec<(f64, f64)>>> = traces
        .iter()
        .map(|trace| {
            Trace::new(
                trace.role,
                trace.label.clone(),
                thinned(trace.data, lowest, highest),
            )
        })
        .filter(|curve| !curve.data.is_empty())
        .collect();
    let densities = || {
        curves
            .iter()
            .flat_map(|curve| curve.data.iter().map(|p| p.1))
    };
    let bottom = densities().fold(f64::INFINITY, f64::min);
    let top = densities().fold(f64::NEG_INFINITY, f64::max);
    if !(bottom.is_finite() && top.is_finite()) {
        return None;
    }
    let x = Axis::logarithmic("frequency", "Hz", lowest, highest);
    let y = Axis::logarithmic(
        "noise density",
        "V/√Hz",
        10f64.powf(bottom - 0.15),
        10f64.powf((top + 0.45).max(bottom + 1.0)),
    );
    let title = "Noise density";
    let description = describe(traces, lowest, highest, mains_hz, band_hz);
    let entries: Vec<LegendEntry> = curves
        .iter()
        .map(|curve| LegendEntry {
            role: curve.role,
            label: curve.label.clone(),
            line: true,
            marker: false,
        })
        .collect();
    let svg = picture("noise_density", title, &description, HEIGHT, |area| {
        let rest = legend(area, &entries)?;
        let mut chart = chart(&rest, &x, &y)?;
        for order in MARKED_ORDERS {
            let place = (f64::from(order) * mains_hz).log10();
            if place < x.low || place > x.high {
                continue;
            }
            let tick = RGBColor(120, 120, 120);
            rule(&mut chart, (place, y.high - 0.22), (place, y.high), tick, 2)?;
            let anchor = Pos::new(HPos::Left, VPos::Top);
            chart.draw_series([Text::new(
                format!("{order}"),
                (place + 0.008, y.high - 0.02),
                text_style(26.0).pos(anchor),
            )])?;
        }
        // The floor comes last, so that it is seen where another curve lies on it.
        let mut order: Vec<_> = curves.iter().collect();
        order.sort_by_key(|curve| (curve.role == Role::Baseline, curve.role));
        for curve in order {
            line(&mut chart, curve.data.clone(), curve.role.look())?;
        }
        Ok(())
    })?;
    Some(Plot {
        name: "noise_density".into(),
        title: title.into(),
        description,
        svg,
    })
}

fn positive(values: &[f64]) -> impl Iterator<Item = f64> {
    values
        .iter()
        .copied()
        .filter(|value| *value > 0.0 && value.is_finite())
}

/// Points of a curve, at most one a bin of equal logarithmic width.
fn thinned(spectrum: &Spectrum, lowest: f64, highest: f64) -> Vec<(f64, f64)> {
    const STANDS_OUT: f64 = 4.0;
    let width = (highest / lowest).log10() / BINS as f64;
    let mut points = Vec::new();
    let mut bin: Vec<(f64, f64, f64)> = Vec::new();
    let mut bin_index = 0;
    let flush = |bin: &mut Vec<(f64, f64, f64)>, points: &mut Vec<(f64, f64)>| {
        let count = bin.len() as f64;
        let rms = |pick: fn(&(f64, f64, f64)) -> f64| {
            (bin.iter().map(|entry| pick(entry).powi(2)).sum::<f64>() / count).sqrt()
        };
        let peak = bin.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some(peak) = peak {
            let noise = rms(|entry| entry.2);
            let (frequency, density) = if peak.1 > STANDS_OUT * noise {
                (peak.0, peak.1)
            } else {
                let middle = bin.iter().map(|entry| entry.0.ln()).sum::<f64>() / count;
                (middle.exp(), rms(|entry| entry.1))
            };
            if density > 0.0 && density.is_finite() {
                points.push((frequency.log10(), density.log10()));
            }
        }
        bin.clear();
    };
    let rows = spectrum
        .frequency_hz
        .iter()
        .zip(&spectrum.total_v_per_rthz)
        .zip(&spectrum.noise_v_per_rthz);
    for ((frequency, total), noise) in rows {
        if !(*frequency > 0.0 && total.is_finite()) {
            continue;
        }
        let index = ((frequency / lowest).log10() / width).floor() as i64;
        if index != bin_index {
            flush(&mut bin, &mut points);
            bin_index = index;
        }
        bin.push((*frequency, *total, *noise));
    }
    flush(&mut bin, &mut points);
    points
}

fn describe(
    traces: &[Trace<&Spectrum>],
    lowest: f64,
    highest: f64,
    mains_hz: f64,
    band_hz: Option<(f64, f64)>,
) -> String {
    let mut text = format!(
        "One-sided noise density against frequency from {} to {} on logarithmic axes; ticks along the top mark orders of the {} mains.",
        si(lowest, "Hz", 2),
        si(highest, "Hz", 2),
        si_short(mains_hz, "Hz")
    );
    if let Some((low, high)) = band_hz {
        text.push_str(&format!(
            " The noise figures are taken from {} to {}.",
            si_short(low, "Hz"),
            si_short(high, "Hz")
        ));
    }
    for trace in traces {
        let mut noise: Vec<f64> = positive(&trace.data.noise_v_per_rthz).collect();
        noise.sort_by(f64::total_cmp);
        let peak = trace
            .data
            .frequency_hz
            .iter()
            .zip(&trace.data.total_v_per_rthz)
            .filter(|(frequency, _)| **frequency > 0.0)
            .max_by(|a, b| a.1.total_cmp(b.1));
        if let (Some(median), Some((frequency, density))) = (noise.get(noise.len() / 2), peak) {
            text.push_str(&format!(
                " {}: median {}, highest {} at {}.",
                trace.label,
                si(*median, "V/√Hz", 2),
                si(*density, "V/√Hz", 2),
                si(*frequency, "Hz", 3)
            ));
        }
    }
    text
}

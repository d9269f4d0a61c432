//! Noise density against frequency.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{LegendEntry, line, mark_orders};
use super::drawing::panels::{Panel, facets, stacked};
use super::drawing::picture::{Frame, Plot};
use super::drawing::trace::{Role, Trace};
use crate::analysis::Spectrum;
use crate::si;

/// Of a single panel, and of each of several.
const HEIGHT: u32 = 560;
const PANEL: u32 = 230;
const BINS: usize = 420;

/// A spectrum and the frequencies of the lines that stand in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DensityCurve<'a> {
    /// Densities against frequency.
    pub spectrum: &'a Spectrum,
    /// Frequencies of the lines found, Hz.
    pub lines_hz: &'a [f64],
}

/// Noise density of the conditions on logarithmic axes, mains orders marked, more than three remedies in several panels;
/// `None` where no
/// trace has a positive density.
///
/// Between the lines each point is the RMS density of a narrow band with the lines taken out, so
/// that their skirts do not pass for noise; each line stands up to its highest density.
#[must_use]
pub fn noise_density(
    traces: &[Trace<DensityCurve<'_>>],
    unit: &str,
    mains_hz: f64,
    band_hz: Option<(f64, f64)>,
) -> Option<Plot> {
    let unit = format!("{unit}/√Hz");
    let spectra = traces.iter().map(|trace| trace.data.spectrum);
    let (lowest, highest) = extent(spectra.flat_map(|s| positive(&s.frequency_hz)));
    if lowest >= highest {
        return None;
    }
    let curves: Vec<Trace<Vec<(f64, f64)>>> = traces
        .iter()
        .map(|trace| {
            Trace::new(
                trace.role,
                trace.label.clone(),
                curve(&trace.data, lowest, highest),
            )
        })
        .filter(|curve| !curve.data.is_empty())
        .collect();
    let (bottom, top) = extent(
        curves
            .iter()
            .flat_map(|curve| curve.data.iter())
            .map(|p| p.1),
    );
    if !(bottom.is_finite() && top.is_finite()) {
        return None;
    }
    let x = Axis::logarithmic("frequency", "Hz", lowest, highest);
    let parts = facets(&curves);
    let y = Axis::logarithmic(
        // The name has to fit beside a panel.
        if parts.len() == 1 {
            "noise density"
        } else {
            "density"
        },
        &unit,
        10f64.powf(bottom - 0.15),
        10f64.powf((top + 0.45).max(bottom + 1.0)),
    );
    let panels: Vec<Panel<'_>> = parts
        .iter()
        .map(|part| Panel {
            y: y.clone(),
            height: if parts.len() == 1 { HEIGHT } else { PANEL },
            legend: part.iter().map(|curve| LegendEntry::line(curve)).collect(),
            draw: Box::new(|chart| {
                mark_orders(chart, &x, &y, mains_hz)?;
                // The floor comes last, so that it is seen where another curve lies on it.
                let mut order = part.clone();
                order.sort_by_key(|curve| (curve.role == Role::Baseline, curve.role));
                order
                    .into_iter()
                    .try_for_each(|curve| line(chart, curve.data.clone(), curve.role.look()))
            }),
        })
        .collect();
    let description = describe(traces, (lowest, highest), &unit, mains_hz, band_hz);
    let frame = Frame::new("noise_density", "Noise density", description);
    stacked(frame, &[], &x, &panels)
}

fn positive(values: &[f64]) -> impl Iterator<Item = f64> {
    values
        .iter()
        .copied()
        .filter(|value| *value > 0.0 && value.is_finite())
}

/// Points of a curve in common logarithms: the noise, and a stem for each line.
fn curve(data: &DensityCurve<'_>, lowest: f64, highest: f64) -> Vec<(f64, f64)> {
    let mut points = noise_points(data.spectrum, lowest, highest);
    let stems: Vec<(f64, f64)> = data
        .lines_hz
        .iter()
        .filter_map(|line_hz| Some((line_hz.log10(), peak_near(data.spectrum, *line_hz)?.log10())))
        .collect();
    for (place, top) in stems {
        let next = points.partition_point(|(at, _)| *at < place);
        let foot = points
            .get(next)
            .or_else(|| points.last())
            .map_or(top, |(_, density)| *density);
        if top > foot {
            points.splice(next..next, [(place, foot), (place, top), (place, foot)]);
        }
    }
    points
}

/// Highest density within two steps of a line.
fn peak_near(spectrum: &Spectrum, line_hz: f64) -> Option<f64> {
    const REACH: usize = 2;
    let next = spectrum.frequency_hz.partition_point(|hz| *hz < line_hz);
    let around = next.saturating_sub(REACH)..(next + REACH).min(spectrum.frequency_hz.len());
    spectrum
        .total_v_per_rthz
        .get(around)?
        .iter()
        .copied()
        .filter(|density| density.is_finite() && *density > 0.0)
        .max_by(f64::total_cmp)
}

/// RMS density of the noise, at most one point a bin of equal logarithmic width.
fn noise_points(spectrum: &Spectrum, lowest: f64, highest: f64) -> Vec<(f64, f64)> {
    let width = (highest / lowest).log10() / BINS as f64;
    let mut bins: Vec<(i64, f64, f64, f64)> = Vec::new();
    for (frequency, density) in spectrum.frequency_hz.iter().zip(&spectrum.noise_v_per_rthz) {
        if !(*frequency > 0.0 && *density > 0.0 && density.is_finite()) {
            continue;
        }
        let index = ((frequency / lowest).log10() / width).floor() as i64;
        let (log, power) = (frequency.log10(), density * density);
        match bins.last_mut() {
            Some(bin) if bin.0 == index => {
                bin.1 += log;
                bin.2 += power;
                bin.3 += 1.0;
            }
            _ => bins.push((index, log, power, 1.0)),
        }
    }
    bins.into_iter()
        .map(|(_, log, power, count)| (log / count, 0.5 * (power / count).log10()))
        .collect()
}

fn describe(
    traces: &[Trace<DensityCurve<'_>>],
    (lowest, highest): (f64, f64),
    unit: &str,
    mains_hz: f64,
    band_hz: Option<(f64, f64)>,
) -> String {
    let mut text = format!(
        "One-sided noise density against frequency from {} to {} on logarithmic axes; ticks along the top mark orders of the {} mains.",
        si::rounded(lowest, "Hz", 2),
        si::rounded(highest, "Hz", 2),
        si::shortest(mains_hz, "Hz")
    );
    if let Some((low, high)) = band_hz {
        text.push_str(&format!(
            " The noise figures are taken from {} to {}.",
            si::shortest(low, "Hz"),
            si::shortest(high, "Hz")
        ));
    }
    for trace in traces {
        let mut noise: Vec<f64> = positive(&trace.data.spectrum.noise_v_per_rthz).collect();
        noise.sort_by(f64::total_cmp);
        let Some(median) = noise.get(noise.len() / 2) else {
            continue;
        };
        let highest = trace
            .data
            .lines_hz
            .iter()
            .filter_map(|line_hz| Some((*line_hz, peak_near(trace.data.spectrum, *line_hz)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let lines = match highest {
            Some((line_hz, density)) => format!(
                "{} lines, the highest {} at {}",
                trace.data.lines_hz.len(),
                si::rounded(density, unit, 2),
                si::rounded(line_hz, "Hz", 3)
            ),
            None => "no lines".into(),
        };
        text.push_str(&format!(
            " {}: median noise {}, {lines}.",
            trace.label,
            si::rounded(*median, unit, 2)
        ));
    }
    text
}

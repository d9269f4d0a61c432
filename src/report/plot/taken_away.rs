//! What was taken away against frequency, with intervals.

use super::drawing::axis::Axis;
use super::drawing::chart::{Chart, LegendEntry, mark_orders, rule};
use super::drawing::marker::marker;
use super::drawing::panels::{Panel, facets, stacked};
use super::drawing::picture::{Drawn, Frame, INK, Plot};
use super::drawing::trace::{Look, Trace};
use crate::comparison::DecibelRatio;
use crate::si;
use plotters::prelude::*;

/// Of a single panel, and of each of several.
const HEIGHT: u32 = 480;
const PANEL: u32 = 230;

/// Ratios in decibels by frequency: a point each with its interval, an arrow where an end is not known; more
/// than three remedies stand in several panels.
/// `None` without any ratio of a positive frequency.
#[must_use]
pub fn taken_away(
    traces: &[Trace<Vec<(f64, DecibelRatio)>>],
    title: &'static str,
    mains_hz: f64,
    confidence: f64,
) -> Option<Plot> {
    let all = || traces.iter().flat_map(|trace| &trace.data);
    let frequencies = || all().map(|(hz, _)| *hz).filter(|hz| *hz > 0.0);
    let lowest = frequencies().fold(f64::INFINITY, f64::min);
    let highest = frequencies().fold(0.0, f64::max);
    let ends = || {
        all()
            .flat_map(|(_, ratio)| [ratio.low, ratio.value, ratio.high.unwrap_or(ratio.value)])
            .filter(|end| end.is_finite())
    };
    ends().next()?;
    if !(lowest.is_finite() && highest > 0.0) {
        return None;
    }
    let low = ends().fold(0.0, f64::min);
    let high = ends().fold(0.0, f64::max);
    let span = (high - low).max(1.0);
    let x = Axis::logarithmic("frequency", "Hz", lowest / 1.5, highest * 1.5);
    let y = Axis::exact("change", "dB", low - 0.16 * span, high + 0.25 * span);
    let parts = facets(traces);
    let panels: Vec<Panel<'_>> = parts
        .iter()
        .map(|part| Panel {
            y: y.clone(),
            height: if parts.len() == 1 { HEIGHT } else { PANEL },
            legend: part
                .iter()
                .filter(|trace| !trace.data.is_empty())
                .map(|trace| LegendEntry::marker(trace))
                .collect(),
            draw: Box::new(|chart| {
                mark_orders(chart, &x, &y, mains_hz)?;
                rule(chart, (x.low, 0.0), (x.high, 0.0), INK, 3)?;
                for (index, trace) in part.iter().enumerate() {
                    // Beside each other where they are of one frequency.
                    let aside = index as f64 - (part.len() as f64 - 1.0) / 2.0;
                    let shift = 0.004 * aside * (x.high - x.low);
                    for (hz, ratio) in trace.data.iter().filter(|(hz, _)| *hz > 0.0) {
                        let at = (hz.log10() + shift, 0.007 * (x.high - x.low));
                        draw(chart, &y, at, ratio, trace.role.look())?;
                    }
                }
                Ok(())
            }),
        })
        .collect();
    let description = describe(traces, confidence);
    let frame = Frame::new("taken_away", title, description);
    stacked(frame, &[], &x, &panels)
}

fn draw(
    chart: &mut Chart<'_, '_>,
    y: &Axis,
    (at, wing): (f64, f64),
    ratio: &DecibelRatio,
    look: Look,
) -> Drawn<()> {
    let inside = |value: f64| value.clamp(y.low, y.high);
    let value = inside(ratio.value);
    // An arrow's length stands for nothing.
    let reach = 0.09 * (y.high - y.low);
    let low = if ratio.low.is_finite() {
        inside(ratio.low)
    } else {
        value - reach
    };
    let high = ratio.high.map_or(value + reach, inside);
    rule(chart, (at, low), (at, high), look.color, 4)?;
    let mut arrow = |tip: f64, back: f64| {
        let points = vec![(at - wing, tip - back), (at, tip), (at + wing, tip - back)];
        let stroke = look.color.stroke_width(4);
        chart
            .draw_series([PathElement::new(points, stroke)])
            .map(drop)
    };
    if ratio.high.is_none() {
        arrow(high, 0.35 * reach)?;
    }
    if !ratio.low.is_finite() {
        arrow(low, -0.35 * reach)?;
    }
    let mark = marker((at, value), look, ratio.excludes_zero());
    chart.draw_series([mark]).map(drop)
}

fn describe(traces: &[Trace<Vec<(f64, DecibelRatio)>>], confidence: f64) -> String {
    let mut text = format!(
        "Change in decibels against frequency with {} intervals; an arrow means that this end is not known, a hollow marker that the interval holds 0.",
        si::percent(confidence)
    );
    for trace in traces.iter().filter(|trace| !trace.data.is_empty()) {
        text.push_str(&format!(" {}:", trace.label));
        for (hz, ratio) in &trace.data {
            let words = ratio.words().unwrap_or_else(|| "not known".into());
            text.push_str(&format!(" {} {words};", si::short(*hz, "Hz", 4)));
        }
    }
    text
}

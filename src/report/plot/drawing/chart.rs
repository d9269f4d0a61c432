//! The common form of a plot: title, legend on top, frame, grid, axes.

use super::axis::Axis;
use super::marker::marker;
use super::picture::{Area, Drawn, INK, WIDTH, text_style};
use super::trace::{Look, Role, Trace};
use plotters::element::PathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

pub(in crate::report::plot) type Chart<'a, 'b> =
    ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;

/// Orders of the mains that are marked along the top.
const MARKED_ORDERS: [u32; 7] = [1, 2, 3, 5, 10, 20, 40];
const GRID: RGBColor = RGBColor(215, 215, 215);
const FAINT: RGBColor = RGBColor(236, 236, 236);
const TEXT: f64 = 34.0;
const LEGEND_ROW: i32 = 46;
/// Around a chart; below it for the labels, and for the name of its axis.
pub(in crate::report::plot) const MARGIN: u32 = 10;
pub(in crate::report::plot) const LABELS: u32 = 48;
pub(in crate::report::plot) const NAME: u32 = 40;

/// One entry of the legend.
#[derive(Debug, Clone)]
pub(in crate::report::plot) struct LegendEntry {
    pub role: Role,
    pub label: String,
    /// Drawn as a line, or as markers.
    pub line: bool,
}

/// A label short enough for a legend, without control characters.
pub(in crate::report::plot) fn short_label(label: &str) -> String {
    const LONGEST: usize = 46;
    let clean: String = label
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if clean.chars().count() <= LONGEST {
        clean
    } else {
        let head: String = clean.chars().take(LONGEST - 1).collect();
        format!("{head}…")
    }
}

impl LegendEntry {
    /// For what is drawn as a line.
    pub(in crate::report::plot) fn line<T>(trace: &Trace<T>) -> Self {
        Self {
            role: trace.role,
            label: trace.label.clone(),
            line: true,
        }
    }

    /// For what is drawn as markers.
    pub(in crate::report::plot) fn marker<T>(trace: &Trace<T>) -> Self {
        Self {
            line: false,
            ..Self::line(trace)
        }
    }
}

/// Where each entry of a legend goes: its left end, its row, the width of its sample, its label.
fn placed(entries: &[LegendEntry]) -> Vec<(i32, i32, i32, String, &LegendEntry)> {
    let mut places = Vec::new();
    let (mut x, mut row) = (24, 0);
    for entry in entries {
        let label = short_label(&entry.label);
        let sample = if entry.line { 104 } else { 40 };
        let width = sample + 16 + (label.chars().count() as f64 * TEXT * 0.46) as i32;
        if x > 24 && x + width > WIDTH as i32 - 24 {
            x = 24;
            row += 1;
        }
        places.push((x, row, sample, label, entry));
        x += width + 20;
    }
    places
}

/// The height that a legend takes; 0 without entries.
pub(in crate::report::plot) fn legend_height(entries: &[LegendEntry]) -> u32 {
    let rows = placed(entries).last().map_or(0, |(_, row, ..)| row + 1);
    match rows {
        0 => 0,
        rows => (LEGEND_ROW * rows + 8) as u32,
    }
}

/// Draws the legend on top of `area` and gives what is left of it.
pub(in crate::report::plot) fn legend<'a>(
    area: &Area<'a>,
    entries: &[LegendEntry],
) -> Drawn<Area<'a>> {
    if entries.is_empty() {
        return Ok(area.clone());
    }
    let (top, rest) = area.split_vertically(legend_height(entries) as i32);
    for (x, row, sample, label, entry) in placed(entries) {
        let look = entry.role.look();
        let y = LEGEND_ROW * row + LEGEND_ROW / 2;
        if entry.line {
            top.draw(&PathElement::new(vec![(x, y), (x + 90, y)], look.stroke()))?;
        } else {
            top.draw(&marker((x + sample / 2 - 6, y), look, true))?;
        }
        let anchor = Pos::new(HPos::Left, VPos::Center);
        top.draw(&Text::new(
            label,
            (x + sample, y),
            text_style(TEXT).pos(anchor),
        ))?;
    }
    Ok(rest)
}

/// A chart with frame, grid and axes in `area`, its left labels in the given room: charts one above the other share it.
pub(in crate::report::plot) fn chart_with_room<'a, 'b>(
    area: &'a Area<'b>,
    x: &Axis,
    y: &Axis,
    room: u32,
) -> Drawn<Chart<'a, 'b>> {
    let mut chart = ChartBuilder::on(area)
        .margin(MARGIN)
        .margin_right(34)
        .set_label_area_size(LabelAreaPosition::Left, room)
        .set_label_area_size(
            LabelAreaPosition::Bottom,
            if x.name.is_empty() {
                LABELS
            } else {
                LABELS + NAME
            },
        )
        .build_cartesian_2d(x.clone(), y.clone())?;
    chart
        .configure_mesh()
        .bold_line_style(GRID.stroke_width(2))
        .light_line_style(FAINT.stroke_width(1))
        .axis_style(INK.stroke_width(2))
        .label_style(text_style(TEXT))
        .axis_desc_style(text_style(TEXT))
        .x_desc(x.name.clone())
        .y_desc(y.name.clone())
        .draw()?;
    Ok(chart)
}

pub(in crate::report::plot) fn left_room(y: &Axis) -> u32 {
    let longest = y
        .ticks
        .iter()
        .map(|tick| y.label(*tick).chars().count())
        .max()
        .unwrap_or(0);
    let name = if y.name.is_empty() { 24 } else { 70 };
    (longest as f64 * TEXT * 0.44) as u32 + name
}

/// A line through the points in the trace's style.
pub(in crate::report::plot) fn line(
    chart: &mut Chart<'_, '_>,
    points: Vec<(f64, f64)>,
    look: Look,
) -> Drawn<()> {
    chart
        .draw_series(LineSeries::new(points, look.stroke()))
        .map(drop)
}

/// Ticks along the top of a logarithmic frequency axis at orders of the mains.
pub(in crate::report::plot) fn mark_orders(
    chart: &mut Chart<'_, '_>,
    x: &Axis,
    y: &Axis,
    mains_hz: f64,
) -> Drawn<()> {
    let span = y.high - y.low;
    for order in MARKED_ORDERS {
        let place = (f64::from(order) * mains_hz).log10();
        if place < x.low || place > x.high {
            continue;
        }
        let tick = RGBColor(120, 120, 120);
        let foot = y.high - 0.055 * span;
        rule(chart, (place, foot), (place, y.high), tick, 2)?;
        let anchor = Pos::new(HPos::Left, VPos::Top);
        chart.draw_series([Text::new(
            format!("{order}"),
            (place + 0.002 * (x.high - x.low), y.high - 0.005 * span),
            text_style(32.0).pos(anchor),
        )])?;
    }
    Ok(())
}

/// A straight auxiliary line.
pub(in crate::report::plot) fn rule(
    chart: &mut Chart<'_, '_>,
    from: (f64, f64),
    to: (f64, f64),
    color: RGBColor,
    width: u32,
) -> Drawn<()> {
    chart
        .draw_series([PathElement::new(vec![from, to], color.stroke_width(width))])
        .map(drop)
}

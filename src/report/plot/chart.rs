//! The common form of a plot: title, legend on top, frame, grid, axes.

use super::axis::Axis;
use super::marker::marker;
use super::picture::{Area, Drawn, INK, WIDTH, text_style};
use super::trace::{Look, Role, Trace};
use plotters::element::{DashedPathElement, PathElement};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

pub(super) type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;

/// Orders of the mains that are marked along the top.
const MARKED_ORDERS: [u32; 7] = [1, 2, 3, 5, 10, 20, 40];
const GRID: RGBColor = RGBColor(215, 215, 215);
const FAINT: RGBColor = RGBColor(236, 236, 236);
const TEXT: f64 = 34.0;
const LEGEND_ROW: i32 = 46;

/// One entry of the legend.
#[derive(Debug, Clone)]
pub(super) struct LegendEntry {
    pub role: Role,
    pub label: String,
    /// Drawn as a line, or as markers.
    pub line: bool,
}

/// A label short enough for a legend, without control characters.
pub(super) fn short_label(label: &str) -> String {
    const LONGEST: usize = 40;
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
    pub(super) fn line<T>(trace: &Trace<T>) -> Self {
        Self {
            role: trace.role,
            label: trace.label.clone(),
            line: true,
        }
    }

    /// For what is drawn as markers.
    pub(super) fn marker<T>(trace: &Trace<T>) -> Self {
        Self {
            line: false,
            ..Self::line(trace)
        }
    }
}

/// Draws the legend on top of `area` and gives what is left of it.
pub(super) fn legend<'a>(area: &Area<'a>, entries: &[LegendEntry]) -> Drawn<Area<'a>> {
    let mut places = Vec::new();
    let (mut x, mut row) = (24, 0);
    for entry in entries {
        let label = short_label(&entry.label);
        let sample = if entry.line { 104 } else { 40 };
        let width = sample + 16 + (label.chars().count() as f64 * TEXT * 0.43) as i32;
        if x > 24 && x + width > WIDTH as i32 - 24 {
            x = 24;
            row += 1;
        }
        places.push((x, row, sample, label, entry));
        x += width + 20;
    }
    let (top, rest) = area.split_vertically(LEGEND_ROW * (row + 1) + 8);
    for (x, row, sample, label, entry) in places {
        let look = entry.role.look();
        let y = LEGEND_ROW * row + LEGEND_ROW / 2;
        if entry.line {
            draw_line(&top, vec![(x, y), (x + 90, y)], look)?;
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

fn draw_line(area: &Area<'_>, points: Vec<(i32, i32)>, look: Look) -> Drawn<()> {
    let style = look.color.stroke_width(look.width);
    match look.dash {
        None => area.draw(&PathElement::new(points, style)),
        Some((dash, gap)) => area.draw(&DashedPathElement::new(points, dash, gap, style)),
    }
}

/// A chart with frame, grid and axes in `area`.
pub(super) fn chart<'a, 'b>(area: &'a Area<'b>, x: &Axis, y: &Axis) -> Drawn<Chart<'a, 'b>> {
    chart_with_room(area, x, y, left_room(y))
}

/// A chart whose left labels take the given room, for charts one above the other.
pub(super) fn chart_with_room<'a, 'b>(
    area: &'a Area<'b>,
    x: &Axis,
    y: &Axis,
    room: u32,
) -> Drawn<Chart<'a, 'b>> {
    let mut chart = ChartBuilder::on(area)
        .margin(10)
        .margin_right(34)
        .set_label_area_size(LabelAreaPosition::Left, room)
        .set_label_area_size(
            LabelAreaPosition::Bottom,
            if x.name.is_empty() { 48 } else { 88 },
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

pub(super) fn left_room(y: &Axis) -> u32 {
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
pub(super) fn line(chart: &mut Chart<'_, '_>, points: Vec<(f64, f64)>, look: Look) -> Drawn<()> {
    let style = look.color.stroke_width(look.width);
    match look.dash {
        None => chart.draw_series(LineSeries::new(points, style)).map(drop),
        Some((dash, gap)) => chart
            .draw_series(DashedLineSeries::new(points, dash, gap, style))
            .map(drop),
    }
}

/// Ticks along the top of a logarithmic frequency axis at orders of the mains.
pub(super) fn mark_orders(
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
            text_style(26.0).pos(anchor),
        )])?;
    }
    Ok(())
}

/// A straight auxiliary line.
pub(super) fn rule(
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

//! The captures behind each mean: their scatter, and their order.

use super::drawing::axis::{Axis, extent};
use super::drawing::chart::{Chart, LegendEntry, rule};
use super::drawing::lanes::{lane_axis, numbered, place};
use super::drawing::marker::marker;
use super::drawing::panels::{Panel, stacked};
use super::drawing::picture::{Drawn, Frame, INK, Plot};
use super::drawing::trace::Trace;
use crate::si;
use crate::stats::Estimate;
use plotters::prelude::*;

const PANEL: u32 = 160;
/// Deviations beyond this are cut off, percent.
const MOST_PERCENT: f64 = 150.0;

/// Captures of one condition: their mean, and each with its place in the session from 1.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureGroup {
    /// What the report gives for the condition.
    pub mean: Estimate,
    /// What each capture gives.
    pub captures: Vec<(usize, Estimate)>,
}

/// One figure of every condition.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureRow {
    /// The figure in a word.
    pub figure: &'static str,
    /// Its unit.
    pub unit: String,
    /// Whether it may be of either sign: then it stands on a linear axis.
    pub signed: bool,
    /// By condition and remedy, `None` where there is nothing to draw.
    pub groups: Vec<Trace<Option<CaptureGroup>>>,
}

impl CaptureRow {
    fn drawn(&self) -> impl Iterator<Item = (usize, &Trace<Option<CaptureGroup>>, &CaptureGroup)> {
        let lanes = self.groups.iter().enumerate();
        lanes.filter_map(|(lane, trace)| Some((lane, trace, trace.data.as_ref()?)))
    }
}

/// How far each capture lies from the mean of its condition, percent of that mean, whose interval is the band; a panel a
/// figure, a lane a condition. The rows' groups are to be of the same conditions. `None` where there is nothing to draw.
#[must_use]
pub fn scatter(rows: &[CaptureRow], confidence: f64) -> Option<Plot> {
    let rows: Vec<&CaptureRow> = rows
        .iter()
        .filter(|row| row.drawn().next().is_some())
        .collect();
    let groups = &rows.first()?.groups;
    let x = lane_axis("condition", groups.len());
    let panels = rows.iter().map(|row| Panel {
        y: deviation_axis(row),
        height: PANEL,
        legend: Vec::new(),
        draw: Box::new(|chart| {
            let y = deviation_axis(row);
            rule(chart, (x.low, 0.0), (x.high, 0.0), INK, 2)?;
            row.drawn()
                .try_for_each(|(lane, trace, group)| draw_group(chart, &y, lane, (trace, group)))
        }),
    });
    let panels: Vec<Panel<'_>> = panels.collect();
    let entries = numbered(groups, LegendEntry::marker);
    let frame = Frame::new(
        "scatter",
        "Captures about their mean",
        describe(&rows, confidence),
    );
    stacked(frame, &entries, &x, &panels)
}

fn percent(value: f64, mean: f64) -> f64 {
    (100.0 * (value - mean) / mean.abs()).clamp(-MOST_PERCENT, MOST_PERCENT)
}

fn deviation_axis(row: &CaptureRow) -> Axis {
    let ends = row.drawn().flat_map(|(_, _, group)| {
        let mean = group.mean.value;
        let captures = group.captures.iter().map(|(_, estimate)| estimate);
        let all = captures.chain([&group.mean]);
        all.flat_map(move |e| [percent(e.low, mean), percent(e.high, mean)])
    });
    let (low, high) = extent(ends.filter(|end| end.is_finite()));
    Axis::linear(row.figure, "%", low.min(0.0), high.max(0.0))
}

fn draw_group(
    chart: &mut Chart<'_, '_>,
    y: &Axis,
    lane: usize,
    (trace, group): (&Trace<Option<CaptureGroup>>, &CaptureGroup),
) -> Drawn<()> {
    let look = trace.role.look();
    let mean = group.mean.value;
    let height = |value: f64| percent(value, mean).clamp(y.low, y.high);
    let (low, high) = (height(group.mean.low), height(group.mean.high));
    let band = [(place(lane, 0.0), low), (place(lane, 1.0), high)];
    chart.draw_series([Rectangle::new(band, look.color.mix(0.16).filled())])?;
    let count = group.captures.len() as f64;
    for (index, (_, estimate)) in group.captures.iter().enumerate() {
        let at = place(lane, (index as f64 + 0.5) / count);
        let ends = [(at, height(estimate.low)), (at, height(estimate.high))];
        rule(chart, ends[0], ends[1], look.color, 4)?;
        chart.draw_series([marker((at, height(estimate.value)), look, true)])?;
    }
    Ok(())
}

/// Readings of all captures in the order of the session, a panel a figure. `None` where there is nothing to draw.
#[must_use]
pub fn in_order(rows: &[CaptureRow], confidence: f64) -> Option<Plot> {
    let rows: Vec<&CaptureRow> = rows
        .iter()
        .filter(|row| row.drawn().next().is_some())
        .collect();
    let groups = &rows.first()?.groups;
    let all = rows.iter().flat_map(|row| row.drawn());
    let last = all.flat_map(|(_, _, group)| &group.captures);
    let last = last.map(|(number, _)| *number).max()?;
    let step = last.div_ceil(12).max(1);
    let numbers = (1..=last).step_by(step);
    let numbers = numbers.map(|number| (number as f64, format!("{number}")));
    let x = Axis::named(
        "capture, in the order of the session",
        0.4,
        last as f64 + 0.6,
        numbers.collect(),
    );
    let panels = rows.iter().filter_map(|row| {
        let y = reading_axis(row)?;
        Some(Panel {
            y: y.clone(),
            height: PANEL,
            legend: Vec::new(),
            draw: Box::new(move |chart| draw_readings(chart, &y, row)),
        })
    });
    let panels: Vec<Panel<'_>> = panels.collect();
    if panels.is_empty() {
        return None;
    }
    let entries: Vec<LegendEntry> = groups.iter().map(LegendEntry::marker).collect();
    let frame = Frame::new(
        "captures_in_order",
        "Captures in their order",
        describe(&rows, confidence),
    );
    stacked(frame, &entries, &x, &panels)
}

/// Linear where the figure may be of either sign, else logarithmic; `None` without an end that can be drawn.
fn reading_axis(row: &CaptureRow) -> Option<Axis> {
    let estimates = || row.drawn().flat_map(|(_, _, group)| &group.captures);
    let ends = estimates().flat_map(|(_, e)| [e.low, e.value, e.high]);
    if row.signed {
        let (low, high) = extent(ends.filter(|end| end.is_finite()));
        return (low <= high).then(|| Axis::linear(row.figure, &row.unit, low, high));
    }
    let (low, high) = extent(ends.filter(|end| *end > 0.0 && end.is_finite()));
    let low = low.max(1e-5 * high);
    (low <= high).then(|| Axis::logarithmic(row.figure, &row.unit, 0.7 * low, 1.4 * high))
}

fn draw_readings(chart: &mut Chart<'_, '_>, y: &Axis, row: &CaptureRow) -> Drawn<()> {
    let height = |value: f64| {
        let place = if row.signed {
            value
        } else {
            value.max(f64::MIN_POSITIVE).log10()
        };
        place.clamp(y.low, y.high)
    };
    for (_, trace, group) in row.drawn() {
        let look = trace.role.look();
        for (number, estimate) in &group.captures {
            let at = *number as f64;
            let ends = [(at, height(estimate.low)), (at, height(estimate.high))];
            rule(chart, ends[0], ends[1], look.color, 4)?;
            let resolved = row.signed || estimate.low > 0.0;
            let middle = if estimate.value > 0.0 || row.signed {
                estimate.value
            } else {
                estimate.high
            };
            chart.draw_series([marker((at, height(middle)), look, resolved)])?;
        }
    }
    Ok(())
}

fn describe(rows: &[&CaptureRow], confidence: f64) -> String {
    let mut text = format!(
        "Readings of the single captures with {} intervals.",
        si::percent(confidence)
    );
    for row in rows {
        for (_, trace, group) in row.drawn() {
            let (low, high) = extent(group.captures.iter().map(|(_, e)| e.value));
            text.push_str(&format!(
                " {}, {}: {} captures from {} to {}.",
                row.figure,
                trace.label,
                group.captures.len(),
                si::rounded(low, &row.unit, 3),
                si::rounded(high, &row.unit, 3)
            ));
        }
    }
    text
}

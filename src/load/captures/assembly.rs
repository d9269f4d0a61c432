//! From an understood table to the captures it holds.

use crate::capture::{Acquisition, Channel};
use crate::load::captures::channel_names::channel_names;
use crate::load::captures::groups::group_columns;
use crate::load::captures::scaling::{Given, acquisition_of, scaling_of};
use crate::load::options::LoadOptions;
use crate::load::preamble::stated::Stated;
use crate::load::rows::plan::{Plan, Signal, Use};
use crate::load::table::columns::{Column, Role};
use crate::load::table::layout::{Evidence, Layout};
use crate::load::table::understanding::understand;
use crate::load::text::head::Head;
use crate::load::time::cells::TimeCells;
use crate::load::time::grid::Grid;
use crate::load::time::rate::{self, StatedRates};
use crate::load::time::stamps::{grid_of, stamps_of};
use crate::load::value::cell::Cell;
use crate::{Error, Warning};
use std::borrow::Cow;

/// One capture found in a table: how it is read and what is known of it.
#[derive(Debug)]
pub(crate) struct Found {
    pub plan: Plan,
    pub channels: Vec<Channel>,
    pub acquisition: Acquisition,
    pub warnings: Vec<Warning>,
    pub logic: Vec<String>,
}

/// A table and the captures in it.
#[derive(Debug)]
pub(crate) struct Understood {
    pub layout: Layout,
    pub captures: Vec<Found>,
}

impl Understood {
    /// Understands the table of a head.
    pub fn of(head: &Head<'_>, options: &LoadOptions) -> Result<Self, Error> {
        let (layout, evidence) = understand(head, options)?;
        let captures = captures_of(&layout, &evidence, options)?;
        Ok(Self { layout, captures })
    }

    /// How the rows of the first capture are read.
    pub fn plan(&self) -> Option<&Plan> {
        self.captures.first().map(|found| &found.plan)
    }
}

/// A label and the rows that bear it; all rows where there are no labels.
struct Part<'a> {
    label: Option<&'a String>,
    rows: Cow<'a, [Vec<Cell>]>,
}

fn parts_of(evidence: &Evidence) -> Vec<Part<'_>> {
    let Some(labels) = &evidence.labels else {
        return vec![Part {
            label: None,
            rows: Cow::Borrowed(&evidence.rows),
        }];
    };
    let rows_of = |label: &String| {
        let rows = evidence.rows.iter().zip(&labels.of_rows);
        rows.filter(|(_, of_row)| *of_row == label)
            .map(|(row, _)| row.clone())
            .collect()
    };
    labels
        .names
        .iter()
        .map(|label| Part {
            label: Some(label),
            rows: Cow::Owned(rows_of(label)),
        })
        .collect()
}

/// The captures of a table: one, or one for each label and each group of columns with a time base of its own.
fn captures_of(
    layout: &Layout,
    evidence: &Evidence,
    options: &LoadOptions,
) -> Result<Vec<Found>, Error> {
    let signals = layout.signals();
    let mark = layout.dialect.decimal_mark;
    let (stated, mut warnings) = Stated::of(&layout.facts, mark, evidence.loose_hz);
    let groups = group_columns(layout, &signals, &evidence.rows)?;
    let (acquisition, more) = acquisition_of(layout, &signals, options);
    warnings.extend(more);
    let logic = logic_names(&layout.columns);
    let assembly = Assembly {
        layout,
        evidence,
        options,
        stated,
        names: channel_names(&layout.columns, &signals, &layout.facts),
        signals,
        given: Given::new(layout),
        several: groups.len() > 1,
    };
    let mut found = Vec::new();
    for part in parts_of(evidence) {
        for (time, members) in &groups {
            let (uses, channels) = assembly.channels(part.label, members);
            let (plan, told) = assembly.plan(&part, *time, uses)?;
            found.push(Found {
                plan,
                channels,
                acquisition: acquisition.clone(),
                warnings: warnings.iter().cloned().chain(told).collect(),
                logic: logic.clone(),
            });
        }
    }
    Ok(found)
}

/// The names of the columns that hold logic levels.
fn logic_names(columns: &[Column]) -> Vec<String> {
    let logic = columns.iter().enumerate();
    logic
        .filter(|(_, column)| column.role == Role::Logic)
        .map(|(index, column)| match column.title.name.as_str() {
            "" => format!("column {}", index + 1),
            name => name.to_string(),
        })
        .collect()
}

/// What all captures of a table share.
struct Assembly<'a> {
    layout: &'a Layout,
    evidence: &'a Evidence,
    options: &'a LoadOptions,
    stated: Stated,
    /// The columns of samples, and what they are called.
    signals: Vec<usize>,
    names: Vec<String>,
    given: Given<'a>,
    /// There is more than one time base.
    several: bool,
}

/// What the stamps of a capture say.
struct Timing {
    /// Cells that are to be checked while reading.
    cells: Option<TimeCells>,
    grid: Option<Grid>,
    start_s: f64,
}

impl Assembly<'_> {
    /// What the columns are read for, and the channels that they make.
    fn channels(&self, label: Option<&String>, members: &[usize]) -> (Vec<Use>, Vec<Channel>) {
        let mut uses = vec![Use::Skip; self.layout.columns.len()];
        let mut channels = Vec::new();
        let scale = self.options.scale;
        let labelled = !self.evidence.labels.as_ref().is_some_and(|l| l.numbered);
        for column in members {
            let order = self.signals.binary_search(column).unwrap_or(0);
            let count = self.signals.len();
            let (signal, unit) = scaling_of(&self.given, *column, order, count, self.options);
            uses[*column] = Use::Value(Signal {
                channel: channels.len(),
                factor: signal.factor * scale,
                offset: signal.offset * scale,
                ..signal
            });
            let name = match label {
                Some(label) if count == 1 && labelled => label,
                _ => &self.names[order],
            };
            let name = name.clone();
            channels.push(Channel { name, unit });
        }
        (uses, channels)
    }

    fn timing(&self, time: Option<TimeCells>, rows: &[Vec<Cell>]) -> Result<Timing, Error> {
        let user = self.options.sample_rate_hz.is_some();
        let stamps = time.and_then(|time| stamps_of(time, rows));
        let few = stamps.as_ref().is_none_or(|s| s.relative.len() < 2);
        let mut timing = Timing {
            cells: None,
            grid: None,
            start_s: self.stated.start_s.unwrap_or(0.0),
        };
        if user && few {
            return Ok(timing);
        }
        if let Some(stamps) = stamps {
            timing.start_s = stamps.first_s.unwrap_or(timing.start_s);
            timing.grid = grid_of(&stamps, &self.stated, self.options, self.evidence.line)?;
            timing.cells = time.filter(|_| !user && timing.grid.is_some());
        }
        Ok(timing)
    }

    /// How the rows of a capture are read, and what contradicts the rate.
    fn plan(
        &self,
        part: &Part<'_>,
        time: Option<TimeCells>,
        mut uses: Vec<Use>,
    ) -> Result<(Plan, Vec<Warning>), Error> {
        let user_hz = self.options.sample_rate_hz;
        let timing = self.timing(time, &part.rows)?;
        if let Some(time) = timing.cells {
            mark_time(&mut uses, time);
        }
        let told = match (user_hz, timing.grid) {
            (Some(_), Some(grid)) => {
                let rates = StatedRates {
                    user_hz,
                    start_s: timing.start_s,
                    ..StatedRates::default()
                };
                rate::decide(rates, Some(grid))?.1
            }
            _ => Vec::new(),
        };
        let labels = self.evidence.labels.as_ref();
        let rows = self.evidence.rows.len();
        let plan = Plan {
            dialect: self.layout.dialect,
            terminator: self.evidence.terminator,
            offset: self.evidence.offset,
            line: self.evidence.line,
            end: None,
            unsearched: false,
            blank_is_missing: uses.len() == 1 && self.evidence.blanks * 5 < rows * 2,
            columns: uses,
            time: timing.cells,
            grid: timing.grid.filter(|_| user_hz.is_none()),
            stated_rates: StatedRates {
                user_hz,
                stated_hz: self.stated.rate_hz,
                stated_line: self.stated.rate_line,
                start_s: timing.start_s,
            },
            stated_frames: self.stated.points,
            may_end_early: self.several,
            header: self.layout.header.clone(),
            label: part
                .label
                .zip(labels)
                .map(|(label, l)| (l.column, label.clone())),
            plain: self.options.general_only
                || part.label.is_some()
                || matches!(timing.cells, Some(TimeCells::Moment(_))),
        };
        Ok((plan, told))
    }
}

/// Marks the columns that the time is read from.
fn mark_time(uses: &mut [Use], time: TimeCells) {
    let columns = match time {
        TimeCells::Number { column, .. } => [Some(column), None, None],
        TimeCells::Moment(at) => [Some(at.clock), at.date, at.milliseconds],
    };
    for column in columns.into_iter().flatten() {
        if let Some(place) = uses.get_mut(column) {
            *place = Use::Time;
        }
    }
}

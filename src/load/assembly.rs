//! From an understood table to the captures it holds.

use super::LoadOptions;
use super::cell::Cell;
use super::columns::Role;
use super::groups::{channel_names, group_columns};
use super::head::Line;
use super::layout::{Found, Layout};
use super::plan::{Plan, TimeCells, Use};
use super::refusal::{has_thousands, thousands};
use super::scaling::{Given, acquisition_of, scaling_of};
use super::stamps::{grid_of, stamps_of};
use super::statements::stated;
use super::time_base::Statements;
use crate::capture::Channel;
use crate::{Error, ErrorKind};
use std::borrow::Cow;

/// A column that says to which channel a row belongs.
#[derive(Debug)]
pub(super) struct Labels {
    pub column: usize,
    /// Whether it numbers records rather than naming channels.
    pub numbered: bool,
    pub names: Vec<String>,
    /// The label of each probed row.
    pub of_rows: Vec<String>,
}

/// What the first rows of a table show.
#[derive(Debug)]
pub(super) struct Evidence<'a> {
    /// Byte that ends a line.
    pub terminator: u8,
    /// The line of the first row.
    pub first: &'a Line<'a>,
    pub rows: &'a [Vec<Cell>],
    /// Empty lines between them.
    pub blanks: usize,
    /// A rate named without a key, Hz.
    pub loose: Option<f64>,
    pub labels: Option<&'a Labels>,
}

/// A label and the rows that bear it; all rows where there are no labels.
type Part<'a> = (Option<&'a String>, Cow<'a, [Vec<Cell>]>);

/// The captures of a table: one, or one for each group of columns with a time base of its own.
pub(super) fn captures_of(
    layout: &Layout,
    evidence: &Evidence<'_>,
    options: &LoadOptions,
) -> Result<Vec<Found>, Error> {
    let Evidence {
        terminator,
        first,
        rows,
        blanks,
        loose,
        labels,
    } = *evidence;
    let columns = &layout.columns;
    let mark = layout.dialect.decimal_mark;
    let signals: Vec<usize> = (0..columns.len())
        .filter(|i| columns[*i].role == Role::Signal)
        .collect();
    if signals.is_empty() && has_thousands(&first.text) {
        return Err(thousands().at_line(first.number));
    }
    if signals.is_empty() {
        let what = if columns.iter().any(|c| c.role == Role::Time) {
            "there is a time column but no column of samples beside it"
        } else {
            "no column holds samples"
        };
        return Err(Error::new(
            ErrorKind::NoSamples,
            format!("{what}; export the capture with its data"),
        )
        .at_line(first.number));
    }
    let (stated, mut warnings) = stated(&layout.facts, mark, loose);
    let groups = group_columns(columns, &signals, rows, layout)?;
    let names = channel_names(columns, &signals, &layout.facts);
    let (acquisition, more) = acquisition_of(layout, &signals, options);
    warnings.extend(more);
    let logic: Vec<String> = columns
        .iter()
        .enumerate()
        .filter(|(_, c)| c.role == Role::Logic)
        .map(|(i, c)| {
            if c.title.name.is_empty() {
                format!("column {}", i + 1)
            } else {
                c.title.name.clone()
            }
        })
        .collect();
    let several = groups.len() > 1;
    let given = Given::new(layout);
    let mut found = Vec::new();
    let all: Vec<Part<'_>> = match labels {
        Some(labels) => labels
            .names
            .iter()
            .map(|label| {
                let own = rows
                    .iter()
                    .zip(&labels.of_rows)
                    .filter(|(_, of_row)| *of_row == label)
                    .map(|(row, _)| row.clone())
                    .collect();
                (Some(label), Cow::Owned(own))
            })
            .collect(),
        None => vec![(None, Cow::Borrowed(rows))],
    };
    for ((label, rows), (time, members)) in all
        .iter()
        .flat_map(|part| groups.iter().map(move |group| (part, group)))
    {
        let (time, rows) = (*time, rows.as_ref());
        let mut uses = vec![Use::Skip; columns.len()];
        let mut channels = Vec::new();
        for column in members {
            let order = signals.binary_search(column).unwrap_or(0);
            let scaling = scaling_of(&given, *column, order, signals.len(), options);
            uses[*column] = Use::Value {
                channel: channels.len(),
                reference: scaling.reference,
                factor: scaling.factor * options.scale,
                offset: scaling.offset * options.scale,
            };
            channels.push(Channel {
                name: match label {
                    Some(label) if signals.len() == 1 && !labels.is_some_and(|l| l.numbered) => {
                        label.to_string()
                    }
                    _ => names[order].clone(),
                },
                unit: scaling.unit,
            });
        }
        let stamps = match &time {
            Some(time) => stamps_of(*time, rows),
            None => None,
        };
        let mut grid = None;
        let mut start_s = stated.start_s.unwrap_or(0.0);
        let time = if options.sample_rate_hz.is_some()
            && stamps.as_ref().is_none_or(|s| s.relative.len() < 2)
        {
            None
        } else {
            time
        };
        if let (Some(time), Some(stamps)) = (time, &stamps) {
            mark_time(&mut uses, time);
            if let Some(first) = stamps.first_s {
                start_s = first;
            }
            grid = grid_of(stamps, &stated, options, first)?;
        } else if let Some(time) = time {
            mark_time(&mut uses, time);
        }
        let checked = grid.filter(|_| options.sample_rate_hz.is_none());
        let time = if checked.is_some() { time } else { None };
        if time.is_none() {
            for column in &mut uses {
                if *column == Use::Time {
                    *column = Use::Skip;
                }
            }
        }
        let plan = Plan {
            dialect: layout.dialect,
            terminator,
            offset: first.offset,
            line: first.number,
            end: None,
            unsearched: false,
            columns: uses,
            time,
            grid: if options.sample_rate_hz.is_some() {
                None
            } else {
                grid
            },
            statements: Statements {
                user_hz: options.sample_rate_hz,
                stated_hz: stated.rate_hz,
                stated_line: stated.rate_line,
                start_s,
            },
            stated_frames: stated.points,
            may_end_early: several,
            header: layout.header.clone(),
            label: label.and_then(|label| labels.map(|labels| (labels.column, label.clone()))),
            blank_is_missing: columns.len() == 1 && blanks * 5 < rows.len() * 2,
            plain: options.general_only
                || label.is_some()
                || matches!(time, Some(TimeCells::Moment { .. })),
        };
        let mut warnings = warnings.clone();
        if let (Some(user), Some(grid)) = (options.sample_rate_hz, grid) {
            let (_, told) = super::time_base::decide(
                Statements {
                    user_hz: Some(user),
                    stated_hz: None,
                    stated_line: None,
                    start_s,
                },
                Some(grid),
            )?;
            warnings.extend(told);
        }
        found.push(Found {
            plan,
            channels,
            acquisition: acquisition.clone(),
            warnings,
            logic: logic.clone(),
        });
    }
    Ok(found)
}

pub(super) fn mark_time(uses: &mut [Use], time: TimeCells) {
    let mut mark = |column: usize| {
        if let Some(place) = uses.get_mut(column) {
            *place = Use::Time;
        }
    };
    match time {
        TimeCells::Number { column, .. } => mark(column),
        TimeCells::Moment {
            clock,
            date,
            milliseconds,
        } => {
            mark(clock);
            date.map(&mut mark);
            milliseconds.map(&mut mark);
        }
    }
}

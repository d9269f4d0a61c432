//! Which signals share a time base.

use crate::load::preamble::fact;
use crate::load::table::columns::{Column, Role};
use crate::load::table::kinds::Kind;
use crate::load::table::layout::Layout;
use crate::load::time::cells::{MomentCells, TimeCells};
use crate::load::unit;
use crate::load::value::cell::Cell;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::words;
use crate::{Error, ErrorKind};

/// More time bases than this in one table are refused.
const GROUPS_MOST: usize = 256;

pub(crate) type Group = (Option<TimeCells>, Vec<usize>);

/// Parts the signals by the time base they belong to.
pub(crate) fn group_columns(
    layout: &Layout,
    signals: &[usize],
    rows: &[Vec<Cell>],
) -> Result<Vec<Group>, Error> {
    let columns = &layout.columns;
    let stated_unit = fact::stated(&layout.facts, Meaning::TimeUnit)
        .and_then(|fact| unit::time_unit(fact.text()));
    let number = |column: usize| TimeCells::Number {
        column,
        factor: columns[column]
            .unit_text()
            .and_then(unit::time_unit)
            .or(stated_unit)
            .unwrap_or_else(|| epoch_factor(&columns[column])),
    };
    let numeric: Vec<usize> = (0..columns.len())
        .filter(|i| {
            columns[*i].role == Role::Time
                && columns[*i].kind == Kind::Number
                && !is_milliseconds(columns, *i)
        })
        .collect();
    match numeric.as_slice() {
        [] => Ok(vec![(moment_of(columns, rows), signals.to_vec())]),
        [only] => Ok(vec![(Some(number(*only)), signals.to_vec())]),
        several => {
            let groups = by_nearest(several, signals, columns, rows)?.into_iter();
            let group = |(time, members)| (Some(number(time)), members);
            Ok(groups.map(group).collect())
        }
    }
}

/// The clocks, dates and milliseconds that make up a time.
fn moment_of(columns: &[Column], rows: &[Vec<Cell>]) -> Option<TimeCells> {
    let times = |kinds: &'static [Kind]| {
        let is_time =
            move |i: &usize| columns[*i].role == Role::Time && kinds.contains(&columns[*i].kind);
        (0..columns.len()).filter(is_time)
    };
    let moves = |i: &usize| {
        rows.windows(2)
            .filter(|pair| pair[0].get(*i) != pair[1].get(*i))
            .count()
    };
    // Of several clocks the one that moves most often counts, of equals the first.
    let clock = times(&[Kind::Stamp, Kind::Clock]).rev().max_by_key(moves)?;
    Some(TimeCells::Moment(MomentCells {
        clock,
        date: times(&[Kind::Date])
            .next()
            .filter(|_| columns[clock].kind == Kind::Clock),
        milliseconds: (0..columns.len()).find(|i| is_milliseconds(columns, *i)),
    }))
}

/// Gives each signal to the nearest time column to its left; equal time columns are one.
fn by_nearest(
    times: &[usize],
    signals: &[usize],
    columns: &[Column],
    rows: &[Vec<Cell>],
) -> Result<Vec<(usize, Vec<usize>)>, Error> {
    let mut groups: Vec<(usize, Vec<usize>)> = Vec::new();
    for signal in signals {
        let left = times.iter().rev().find(|time| *time < signal);
        let own = left.or(times.first()).copied().unwrap_or(0);
        let full = groups.len() >= GROUPS_MOST;
        let same = groups
            .iter_mut()
            .find(|(time, _)| same_times(*time, own, rows, &columns[*time], &columns[own]));
        match same {
            Some((_, members)) => members.push(*signal),
            None if !full => groups.push((own, vec![*signal])),
            None => {
                return Err(ErrorKind::UnsupportedFormat.error(format!(
                    "more than {GROUPS_MOST} time columns that differ; split the table"
                )));
            }
        }
    }
    Ok(groups)
}

fn is_milliseconds(columns: &[Column], index: usize) -> bool {
    index > 0
        && columns[index].role == Role::Time
        && columns[index].kind == Kind::Number
        && matches!(columns[index - 1].kind, Kind::Clock | Kind::Stamp)
        && columns[index]
            .present()
            .all(|n| (0.0..1000.0).contains(&n.value) && n.value.fract() == 0.0)
}

/// Whether two time columns agree in every probed row, or differ by less than a sample interval.
fn same_times(a: usize, b: usize, rows: &[Vec<Cell>], first: &Column, second: &Column) -> bool {
    if a == b {
        return true;
    }
    let value = |row: &Vec<Cell>, column: usize| match row.get(column) {
        Some(Cell::Number(number) | Cell::Quantity(number, _)) => Some(number.value),
        _ => None,
    };
    let step = |column: &Column| {
        let values = column.values();
        match (values.first(), values.last()) {
            (Some(a), Some(b)) if values.len() > 1 => (b - a) / (values.len() - 1) as f64,
            _ => 0.0,
        }
    };
    let (step_a, step_b) = (step(first), step(second));
    rows.iter().all(|row| match (value(row, a), value(row, b)) {
        (Some(x), Some(y)) => (x - y).abs() < step_a.abs().max(1e-300) * 0.999 || x == y,
        (None, None) => true,
        _ => false,
    }) && (step_a - step_b).abs() <= 1e-3 * step_a.abs()
}

/// Stamps without a unit that are plainly counted from 1970 in milliseconds or finer.
fn epoch_factor(column: &Column) -> f64 {
    let Some(first) = column.present().next() else {
        return 1.0;
    };
    let named_date = words(&column.title.name)
        .iter()
        .any(|word| word.contains("date"));
    match first.value {
        // Days of a spreadsheet's calendar: 20000 is 1954, 80000 is 2119.
        v if named_date && (2e4..8e4).contains(&v) => 86_400.0,
        v if v > 1e17 => 1e-9,
        v if v > 1e14 => 1e-6,
        v if v > 1e11 => 1e-3,
        _ => 1.0,
    }
}

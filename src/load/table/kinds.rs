//! What the columns of a table hold, by most of their cells.

use crate::load::text::dialect::{Dialect, filled, opens_statement};
use crate::load::value::cell::Cell;
use crate::{Error, ErrorKind};

/// Tables of more columns are refused.
const COLUMNS_MOST: usize = 1 << 15;

/// What a column holds, by its cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Number,
    Clock,
    Date,
    Stamp,
    Text,
    Empty,
}

fn kind_of(cell: &Cell) -> Option<Kind> {
    match cell {
        Cell::Number(_) | Cell::Quantity(..) | Cell::Overload(_) => Some(Kind::Number),
        Cell::Clock(_) => Some(Kind::Clock),
        Cell::Date(_) => Some(Kind::Date),
        Cell::Stamp(_) => Some(Kind::Stamp),
        Cell::Text => Some(Kind::Text),
        Cell::Missing => None,
    }
}

/// What most rows of a sample of lines hold in each column.
pub(crate) fn kinds_of(sample: &[&str], dialect: Dialect) -> Result<Vec<Kind>, Error> {
    let mut cells = Vec::new();
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    for text in sample {
        dialect.split(text, &mut cells);
        let count = filled(&cells);
        if opens_statement(&cells) {
            continue;
        }
        rows.push(
            cells[..count]
                .iter()
                .map(|cell| dialect.classify(cell))
                .collect(),
        );
    }
    let strict: Vec<&Vec<Cell>> = rows
        .iter()
        .filter(|row| row.iter().any(Cell::is_datum) && !row.contains(&Cell::Text))
        .collect();
    let used: Vec<&Vec<Cell>> = if strict.is_empty() {
        rows.iter()
            .filter(|row| row.len() > 1 && row.iter().any(Cell::is_datum))
            .collect()
    } else {
        strict
    };
    let width = {
        let mut counts: Vec<(usize, usize)> = Vec::new();
        for row in &used {
            match counts.iter_mut().find(|(width, _)| *width == row.len()) {
                Some((_, rows)) => *rows += 1,
                None => counts.push((row.len(), 1)),
            }
        }
        let (modal, most) = counts
            .iter()
            .copied()
            .max_by_key(|(width, rows)| (*rows, *width))
            .unwrap_or((0, 0));
        // Rows whose last cells are blank are shorter; a good share of longer ones sets the width.
        counts
            .iter()
            .filter(|(width, rows)| *width > modal && *rows * 5 > most)
            .map(|(width, _)| *width)
            .max()
            .unwrap_or(modal)
    };
    if width > COLUMNS_MOST {
        return Err(ErrorKind::UnsupportedFormat.error(format!(
            "the rows have {width} cells; tables of more than {COLUMNS_MOST} columns are not read"
        )));
    }
    if width == 0 {
        return Err(ErrorKind::NoSamples.error("the file holds no row of numbers"));
    }
    Ok((0..width)
        .map(|column| {
            let mut votes: Vec<(Kind, usize)> = Vec::new();
            for row in used.iter().filter(|row| row.len() <= width) {
                if let Some(kind) = row.get(column).and_then(kind_of) {
                    match votes.iter_mut().find(|(voted, _)| *voted == kind) {
                        Some((_, count)) => *count += 1,
                        None => votes.push((kind, 1)),
                    }
                }
            }
            votes
                .into_iter()
                .max_by_key(|(_, count)| *count)
                .map_or(Kind::Empty, |(kind, _)| kind)
        })
        .collect())
}

/// Whether a row holds what its columns hold.
pub(crate) fn matches_kinds(row: &[Cell], kinds: &[Kind]) -> bool {
    let mut data = 0;
    for (index, kind) in kinds.iter().enumerate() {
        if matches!(kind, Kind::Empty | Kind::Text) {
            continue;
        }
        match row.get(index).and_then(kind_of) {
            None => {}
            Some(found) if found == *kind => data += 1,
            Some(_) => return false,
        }
    }
    let wanted = kinds
        .iter()
        .filter(|kind| !matches!(kind, Kind::Empty | Kind::Text))
        .count();
    let excess = row
        .get(kinds.len()..)
        .is_some_and(|rest| rest.iter().any(Cell::is_datum));
    data * 2 >= wanted && data > 0 && !excess
}

/// The place among the lines of the first row that another follows.
pub(crate) fn first_row(texts: &[&str], dialect: Dialect, kinds: &[Kind]) -> Option<usize> {
    let row_of = |text: &str| -> Vec<Cell> {
        let mut cells = Vec::new();
        dialect.split(text, &mut cells);
        cells.iter().map(|cell| dialect.classify(cell)).collect()
    };
    let is_row = |text: &str| matches_kinds(&row_of(text), kinds);
    let filled = || {
        texts
            .iter()
            .enumerate()
            .filter(|(_, text)| !text.trim().is_empty())
    };
    let mut fallback = None;
    let mut short = None;
    let mut parted = false;
    for (index, text) in filled() {
        let row = row_of(text);
        if !matches_kinds(&row, kinds) {
            parted |= short.is_some() && !text.trim_start().starts_with(['#', '%']);
            continue;
        }
        let next = texts[index + 1..]
            .iter()
            .find(|text| !text.trim().is_empty());
        match next {
            Some(next) if is_row(next) => {
                // Shorter rows, words, then full rows: the first were a table of their own.
                if row.len() >= kinds.len() && (short.is_none() || parted) {
                    return Some(index);
                }
                short = short.or(Some(index));
            }
            Some(_) => fallback = fallback.or(Some(index)),
            None => return short.or(fallback).or(Some(index)),
        }
    }
    short.or(fallback)
}

//! Whether a table is turned on its side.

use crate::load::text::dialect::{Delimiter, Dialect, clip};
use crate::load::text::head::Line;
use crate::load::value::cell::Cell;
use std::borrow::Cow;

/// More rows than this are no channels.
const ROW_LIMIT: usize = 64;
/// Fewer cells than this are no record.
const CELLS_LEAST: usize = 8;

/// Finds a table of few long rows and gives its dialect and the rows' places among the lines.
pub(crate) fn detect(lines: &[Line<'_>]) -> Option<(Dialect, Vec<usize>)> {
    if lines.len() > 2000 {
        return None;
    }
    let mut best: Option<(Dialect, Vec<usize>, usize)> = None;
    for delimiter in [b'\t', b';', b',', b'|'] {
        for decimal_mark in [b'.', b','] {
            if delimiter == decimal_mark {
                continue;
            }
            let dialect = Dialect::plain(Delimiter::Byte(delimiter), decimal_mark);
            let Some((rows, cells)) = long_rows(lines, dialect) else {
                continue;
            };
            let marked = decimal_mark == b','
                && best
                    .as_ref()
                    .is_some_and(|(_, rows_before, _)| rows_before.len() >= rows.len());
            if !marked
                && best
                    .as_ref()
                    .is_none_or(|(_, before, _)| rows.len() > before.len())
            {
                best = Some((dialect, rows, cells));
            }
        }
    }
    let blanks = Dialect::plain(Delimiter::Blanks, b'.');
    if best.is_none() {
        best = long_rows(lines, blanks).map(|(rows, cells)| (blanks, rows, cells));
    }
    best.map(|(dialect, rows, _)| (dialect, rows))
}

fn long_rows(lines: &[Line<'_>], dialect: Dialect) -> Option<(Vec<usize>, usize)> {
    let mut rows = Vec::new();
    let mut longest = 0;
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let text = line.text.trim();
        if text.is_empty() {
            continue;
        }
        let total = match dialect.delimiter {
            Delimiter::Byte(byte) => memchr::memchr_iter(byte, text.as_bytes()).count() + 1,
            Delimiter::Blanks => clip(text, 1 << 14).split_whitespace().count(),
        };
        if total < CELLS_LEAST {
            continue;
        }
        dialect.split(clip(text, 1 << 12), &mut cells);
        // The last cell may be cut.
        cells.pop();
        let kinds: Vec<Cell> = cells.iter().map(|cell| dialect.classify(cell)).collect();
        let lead = kinds.iter().take_while(|kind| **kind == Cell::Text).count();
        let text_later = kinds[lead..]
            .iter()
            .filter(|kind| **kind == Cell::Text)
            .count();
        let data = kinds[lead..].iter().filter(|kind| kind.is_datum()).count();
        if lead <= 3
            && text_later * 10 <= data
            && data * 2 > kinds.len() - lead
            && data >= CELLS_LEAST - 3
        {
            rows.push(index);
            longest = longest.max(total);
        } else if kinds.iter().filter(|kind| **kind == Cell::Text).count() * 2 > kinds.len() {
            // A header over many columns: an ordinary table.
            return None;
        }
    }
    let few = !rows.is_empty() && rows.len() <= ROW_LIMIT && longest > 4 * rows.len();
    (few && longest >= CELLS_LEAST).then_some((rows, longest))
}

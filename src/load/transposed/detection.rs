//! Whether a table is turned on its side.

use crate::load::text::dialect::{Delimiter, Dialect, clip};
use crate::load::text::head::Line;
use crate::load::value::cell::Cell;
use std::borrow::Cow;

/// More rows than this are no channels.
const ROW_LIMIT: usize = 64;
/// Fewer cells than this are no record.
const CELLS_LEAST: usize = 8;

/// More lines than this are no table of few rows.
const LINES_MOST: usize = 2000;
/// Bytes of a row that show what it holds, and that its blanks are counted in.
const SHOWN_BYTES: usize = 1 << 12;
const COUNTED_BYTES: usize = 1 << 14;

/// Finds a table of few long rows and gives its dialect and the rows' places among the lines.
pub(crate) fn detect(lines: &[Line<'_>]) -> Option<(Dialect, Vec<usize>)> {
    if lines.len() > LINES_MOST {
        return None;
    }
    let mut best: Option<(Dialect, Vec<usize>)> = None;
    for mark in [b'\t', b';', b',', b'|'] {
        let wide = wide_lines(lines, Delimiter::Byte(mark));
        for decimal_mark in [b'.', b','] {
            let dialect = Dialect::plain(Delimiter::Byte(mark), decimal_mark);
            if mark != decimal_mark
                && let Some(rows) = long_rows(lines, &wide, dialect)
                && best
                    .as_ref()
                    .is_none_or(|(_, best)| rows.len() > best.len())
            {
                best = Some((dialect, rows));
            }
        }
    }
    best.or_else(|| {
        let blanks = Dialect::plain(Delimiter::Blanks, b'.');
        let wide = wide_lines(lines, blanks.delimiter);
        long_rows(lines, &wide, blanks).map(|rows| (blanks, rows))
    })
}

/// The lines of as many cells as a record has at least, by their places, with the number of their cells.
fn wide_lines(lines: &[Line<'_>], delimiter: Delimiter) -> Vec<(usize, usize)> {
    let cells = |line: &Line<'_>| {
        let text = line.text.trim();
        match delimiter {
            Delimiter::Byte(byte) => memchr::memchr_iter(byte, text.as_bytes()).count() + 1,
            Delimiter::Blanks => clip(text, COUNTED_BYTES).split_whitespace().count(),
        }
    };
    let counts = lines.iter().map(cells).enumerate();
    counts.filter(|(_, count)| *count >= CELLS_LEAST).collect()
}

/// The places of the rows among the wide lines; `None` where they are no table turned on its side.
fn long_rows(lines: &[Line<'_>], wide: &[(usize, usize)], dialect: Dialect) -> Option<Vec<usize>> {
    let mut rows = Vec::new();
    let mut longest = 0;
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    for (place, count) in wide {
        dialect.split(clip(lines[*place].text.trim(), SHOWN_BYTES), &mut cells);
        // The last cell may be cut.
        cells.pop();
        let kinds: Vec<Cell> = cells.iter().map(|cell| dialect.classify(cell)).collect();
        let texts = |kinds: &[Cell]| kinds.iter().filter(|kind| **kind == Cell::Text).count();
        let lead = kinds.iter().take_while(|kind| **kind == Cell::Text).count();
        let data = kinds[lead..].iter().filter(|kind| kind.is_datum()).count();
        if lead <= 3
            && texts(&kinds[lead..]) * 10 <= data
            && data * 2 > kinds.len() - lead
            && data >= CELLS_LEAST - 3
        {
            rows.push(*place);
            longest = longest.max(*count);
            if rows.len() > ROW_LIMIT {
                return None;
            }
        } else if texts(&kinds) * 2 > kinds.len() {
            // A header over many columns: an ordinary table.
            return None;
        }
    }
    (longest > 4 * rows.len()).then_some(rows)
}

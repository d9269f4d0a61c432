//! Several records in one file: where the next begins, and which rows belong to which label.

use super::bytes::Store;
use super::cell::{self, Cell};
use super::dialect::{Delimiter, Dialect};
use super::head::Head;
use crate::Error;

/// Files longer than this are read as one record.
pub(super) const SCAN_LIMIT: u64 = 1 << 25;
/// Bytes looked through at a time.
const WINDOW: usize = 1 << 18;
/// More labels than this are no channels.
const LABELS_MOST: usize = 64;

/// A place in a file: byte and 1-based line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub offset: u64,
    pub line: u64,
    /// An empty line stands in front.
    pub after_blank: bool,
}

/// Finds the next line that opens with a word, as the head of a second record does, or the next row
/// after blank lines whose first number falls back behind `start`.
pub(super) fn next_candidate(
    store: &Store,
    from: Place,
    terminator: u8,
    dialect: Dialect,
    start: Option<f64>,
) -> Result<Option<Place>, Error> {
    let left = store.length().saturating_sub(from.offset);
    let mut bytes = vec![0; usize::try_from(left).map_or(WINDOW, |left| (left + 1).min(WINDOW))];
    let mut position = from.offset;
    let mut line = from.line;
    let mut kept = 0;
    let mut blank_before = false;
    loop {
        let count = store.read_at(&mut bytes[kept..], position + kept as u64)?;
        let filled = kept + count;
        let last = count < bytes.len() - kept;
        let mut at = 0;
        while at < filled {
            let end = match memchr::memchr(terminator, &bytes[at..filled]) {
                Some(end) => at + end,
                None if last => filled,
                None => break,
            };
            let text = &bytes[at..end];
            if !blank_before && text.first().is_some_and(u8::is_ascii_digit) {
                at = end + 1;
                line += 1;
                continue;
            }
            match text
                .iter()
                .find(|b| !matches!(b, b' ' | b'\t' | b'"' | b'\r'))
            {
                None => blank_before = true,
                Some(first) => {
                    let word = first.is_ascii_alphabetic() || matches!(first, b'[' | b'#' | b'%');
                    let place = Place {
                        offset: position + at as u64,
                        line,
                        after_blank: blank_before,
                    };
                    if word && !is_mark(text, dialect) {
                        return Ok(Some(place));
                    }
                    if blank_before
                        && let Some(start) = start
                        && first_number(text, dialect).is_some_and(|v| v <= start)
                    {
                        return Ok(Some(place));
                    }
                    blank_before = false;
                }
            }
            at = end + 1;
            line += 1;
        }
        if last {
            return Ok(None);
        }
        if at == 0 {
            // One line fills the whole window: no head of a record.
            return Ok(None);
        }
        bytes.copy_within(at..filled, 0);
        kept = filled - at;
        position += at as u64;
    }
}

/// The line after a place.
pub(super) fn next_line(store: &Store, place: Place, terminator: u8) -> Result<Place, Error> {
    let mut bytes = vec![0; 1 << 12];
    let mut offset = place.offset;
    loop {
        let count = store.read_at(&mut bytes, offset)?;
        let end = memchr::memchr(terminator, &bytes[..count]);
        offset += end.map_or(count, |end| end + 1) as u64;
        if end.is_some() || count < bytes.len() {
            return Ok(Place {
                offset,
                line: place.line + 1,
                after_blank: false,
            });
        }
    }
}

/// The number that opens the last row in front of a place.
pub(super) fn number_before(
    store: &Store,
    place: Place,
    dialect: Dialect,
) -> Result<Option<f64>, Error> {
    let length = place.offset.min(1 << 12);
    let mut bytes = vec![0; usize::try_from(length).unwrap_or(0)];
    let count = store.read_at(&mut bytes, place.offset - length)?;
    bytes.truncate(count);
    Ok(bytes
        .split(|byte| matches!(byte, b'\n' | b'\r'))
        .rev()
        .find_map(|line| first_number(line, dialect)))
}

fn first_cell(text: &[u8], dialect: Dialect) -> &[u8] {
    let end = match dialect.delimiter {
        Delimiter::Byte(byte) => memchr::memchr(byte, text),
        Delimiter::Blanks => {
            let lead = text.iter().take_while(|b| b.is_ascii_whitespace()).count();
            text[lead..]
                .iter()
                .position(u8::is_ascii_whitespace)
                .map(|end| lead + end)
        }
    };
    &text[..end.unwrap_or(text.len())]
}

fn is_mark(text: &[u8], dialect: Dialect) -> bool {
    std::str::from_utf8(first_cell(text, dialect))
        .is_ok_and(|cell| dialect.classify(cell) != Cell::Text)
}

fn first_number(text: &[u8], dialect: Dialect) -> Option<f64> {
    let cell = std::str::from_utf8(first_cell(text, dialect)).ok()?;
    match dialect.classify(cell) {
        Cell::Number(number) => Some(number.value),
        _ => None,
    }
}

/// The labels of a column and, for each, whether its rows' times rise: those of a table that lists its
/// channels one below the other, or row by row in turn.
pub(super) fn labels(
    head: &Head<'_>,
    first_row: usize,
    dialect: Dialect,
    label: usize,
    time: usize,
    width: usize,
) -> Option<Vec<String>> {
    let mut labels: Vec<(String, f64)> = Vec::new();
    let mut cells = Vec::new();
    let mut previous = f64::NEG_INFINITY;
    let mut falls = false;
    for line in head.lines.get(first_row..)? {
        dialect.split(&line.text, &mut cells);
        if cells.len() < width {
            continue;
        }
        let text = cell::bare(&cells[label]);
        let Cell::Number(number) = dialect.classify(&cells[time]) else {
            continue;
        };
        falls |= number.value <= previous;
        previous = number.value;
        let full = labels.len() >= LABELS_MOST;
        match labels.iter_mut().find(|(known, _)| known == text) {
            Some((_, last)) => {
                if number.value <= *last {
                    return None;
                }
                *last = number.value;
            }
            None if !full => labels.push((text.to_string(), number.value)),
            None => return None,
        }
    }
    (falls && labels.len() > 1).then(|| labels.into_iter().map(|(label, _)| label).collect())
}

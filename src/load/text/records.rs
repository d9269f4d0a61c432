//! Several records in one file: where the next begins, and which rows belong to which label.

use crate::Error;
use crate::load::store::Store;
use crate::load::text::dialect::{Delimiter, Dialect};
use crate::load::value::cell::Cell;

/// Files longer than this are read as one record.
pub(crate) const SCAN_LIMIT: u64 = 1 << 25;
/// Bytes looked through at a time.
const WINDOW: usize = 1 << 18;

/// A place in a file: byte and 1-based line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    pub offset: u64,
    pub line: u64,
    /// An empty line stands in front.
    pub after_blank: bool,
}

/// Finds the next line that opens with a word, as the head of a second record does, or the next row
/// after blank lines whose first number falls back behind `start`.
pub(crate) fn next_candidate(
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
pub(crate) fn next_line(store: &Store, place: Place, terminator: u8) -> Result<Place, Error> {
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
pub(crate) fn number_before(
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

//! How a table's lines fall into cells: delimiter, decimal mark, quotes.

use crate::load::value::cell::{self, Cell};
use crate::load::value::number::parse_hexadecimal;
use std::borrow::Cow;

/// What separates the cells of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Delimiter {
    /// One byte: comma, semicolon, tab, pipe or another that the file itself declares.
    Byte(u8),
    /// Any run of blanks and tabs.
    Blanks,
}

impl Delimiter {
    /// Its name in an explanation.
    pub fn name(self) -> String {
        match self {
            Self::Byte(b',') => "comma".into(),
            Self::Byte(b';') => "semicolon".into(),
            Self::Byte(b'\t') => "tab".into(),
            Self::Byte(b'|') => "pipe".into(),
            Self::Byte(other) => format!("'{}'", char::from(other)),
            Self::Blanks => "blanks".into(),
        }
    }
}

/// Delimiter and decimal mark of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Dialect {
    /// What separates the cells.
    pub delimiter: Delimiter,
    /// Decimal mark: `.` or `,`.
    pub decimal_mark: u8,
    /// Mark between thousands, where the numbers have one.
    pub grouping: Option<char>,
    /// Whether counts are written `0x7F3A`.
    pub hexadecimal: bool,
}

impl Dialect {
    /// Without marks between thousands and hexadecimal counts.
    pub fn plain(delimiter: Delimiter, decimal_mark: u8) -> Self {
        Self {
            delimiter,
            decimal_mark,
            grouping: None,
            hexadecimal: false,
        }
    }

    /// Reads a cell.
    pub fn classify(&self, text: &str) -> Cell {
        let plain = self.grouping.and_then(|mark| self.ungrouped(text, mark));
        let plain = plain.as_deref().unwrap_or(text);
        match cell::classify(plain, self.decimal_mark) {
            Cell::Text if self.hexadecimal => {
                parse_hexadecimal(cell::bare(plain)).map_or(Cell::Text, Cell::Number)
            }
            cell => cell,
        }
    }

    /// A number without the marks between its thousands; `None` where it has none.
    fn ungrouped(&self, text: &str, mark: char) -> Option<String> {
        let text = cell::bare(text);
        let sign = text.len() - text.trim_start_matches(['-', '+', '\u{2212}']).len();
        let (sign, digits) = text.split_at(sign);
        let end = digits
            .find(|c: char| !(c.is_ascii_digit() || c == mark))
            .unwrap_or(digits.len());
        let (whole, rest) = digits.split_at(end);
        let mut groups = whole.trim_end_matches(mark).split(mark);
        let first = groups.next()?;
        let sound = (1..=3).contains(&first.len())
            && !first.starts_with('0')
            && groups.clone().next().is_some()
            && groups.all(|group| group.len() == 3);
        sound.then(|| format!("{sign}{}{rest}", whole.replace(mark, "")))
    }

    /// Splits a line into its cells, quotes taken off, as far as a table can be wide.
    pub fn split<'a>(&self, line: &'a str, cells: &mut Vec<Cow<'a, str>>) {
        cells.clear();
        cells.extend(self.cells(line).take(CELLS_MOST));
    }

    /// The cells of a line, quotes taken off.
    pub fn cells<'a>(&self, line: &'a str) -> Cells<'a> {
        Cells {
            rest: Some(line.trim_end_matches(['\r', '\n'])),
            delimiter: self.delimiter,
            quoted: memchr::memchr(b'"', line.as_bytes()).is_some(),
        }
    }

    /// Whether a line holds nothing but data, two cells at least, once it is parted wherever any table could
    /// part it.
    pub fn holds_only_data(&self, line: &str) -> bool {
        let mark = |c: char| matches!(c, ',' | ';' | '|' | '"') || c.is_whitespace();
        let mut data = 0;
        line.split(mark)
            .filter(|part| !part.is_empty())
            .all(|part| {
                let cell = self.classify(part);
                data += usize::from(cell.is_datum());
                cell != Cell::Text
            })
            && data > 1
    }
}

/// Cells of a line that are looked at: more than the widest table has.
const CELLS_MOST: usize = 1 << 16;

/// The cells of a line one by one.
///
/// A cell may stand in quotes, with quotes in it doubled; a quote that is never closed stays where it is, so
/// that nobody takes the cell for a number.
#[derive(Debug, Clone)]
pub(crate) struct Cells<'a> {
    rest: Option<&'a str>,
    delimiter: Delimiter,
    quoted: bool,
}

impl<'a> Cells<'a> {
    /// Parts the text at the delimiter behind a cell.
    fn part(&mut self, text: &'a str) -> &'a str {
        let (end, next) = match self.delimiter {
            Delimiter::Byte(byte) => {
                let end = memchr::memchr(byte, text.as_bytes());
                (end, end.map(|end| end + 1))
            }
            Delimiter::Blanks => {
                let end = text.find(char::is_whitespace);
                (end, end)
            }
        };
        self.rest = next.and_then(|next| text.get(next..));
        end.and_then(|end| text.get(..end)).unwrap_or(text)
    }
}

impl<'a> Iterator for Cells<'a> {
    type Item = Cow<'a, str>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut rest = self.rest?;
        if self.delimiter == Delimiter::Blanks {
            rest = rest.trim_start();
            if rest.is_empty() {
                self.rest = None;
                return None;
            }
        }
        if !self.quoted {
            return Some(Cow::Borrowed(self.part(rest)));
        }
        let opening = rest.trim_start_matches(' ');
        let Some(inner) = opening
            .strip_prefix('=')
            .unwrap_or(opening)
            .strip_prefix('"')
        else {
            return Some(Cow::Borrowed(self.part(rest)));
        };
        let Some((text, behind)) = closed(inner) else {
            self.rest = None;
            return Some(Cow::Borrowed(opening));
        };
        let tail = self.part(behind);
        Some(if tail.trim().is_empty() {
            text
        } else {
            Cow::Owned(format!("{text}{tail}"))
        })
    }
}

/// The text up to the closing quote, and what follows that; `None` where there is none.
fn closed(inner: &str) -> Option<(Cow<'_, str>, &str)> {
    let mut from = 0;
    loop {
        let end = from + inner.get(from..)?.find('"')?;
        let behind = &inner[end + 1..];
        if behind.starts_with('"') {
            from = end + 2;
            continue;
        }
        let text = &inner[..end];
        let text = if from == 0 {
            Cow::Borrowed(text)
        } else {
            Cow::Owned(text.replace("\"\"", "\""))
        };
        return Some((text, behind));
    }
}

/// Number of cells up to the last that is not empty.
pub(crate) fn filled(cells: &[Cow<'_, str>]) -> usize {
    cells
        .iter()
        .rposition(|cell| !cell.trim().is_empty())
        .map_or(0, |last| last + 1)
}

/// The front of a line, cut at a character.
pub(crate) fn clip(line: &str, limit: usize) -> &str {
    if line.len() <= limit {
        return line;
    }
    let mut end = limit;
    while !line.is_char_boundary(end) {
        end -= 1;
    }
    &line[..end]
}

/// Whether a row of cells is a statement of a preamble rather than a labelled row of data.
pub(crate) fn opens_statement(cells: &[Cow<'_, str>]) -> bool {
    cells.first().is_some_and(|cell| {
        let cell = cell::bare(cell);
        cell.starts_with(char::is_alphabetic)
            && crate::load::vocabulary::meaning::Meaning::of_key_alone(cell).is_some()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_are_taken_off() {
        let dialect = Dialect::plain(Delimiter::Byte(b','), b'.');
        let mut cells = Vec::new();
        dialect.split("\"a, b\", \"c\",\"say \"\"d\"\"\"", &mut cells);
        assert_eq!(cells, ["a, b", "c", "say \"d\""]);
        dialect.split("=\"0,5\",\"2\" probe,\"\",\"1,2", &mut cells);
        assert_eq!(cells, ["0,5", "2 probe", "", "\"1,2"]);
        let blanks = Dialect {
            delimiter: Delimiter::Blanks,
            ..dialect
        };
        blanks.split(" \"a b\"\t1  2 ", &mut cells);
        assert_eq!(cells, ["a b", "1", "2"]);
    }
}

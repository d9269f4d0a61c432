//! How a table's lines fall into cells: delimiter, decimal mark, quotes.

use super::cell::{self, Cell};
use super::number::parse_hexadecimal;
use std::borrow::Cow;

/// What separates the cells of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Delimiter {
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
pub(super) struct Dialect {
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

    /// Splits a line into its cells, quotes taken off.
    pub fn split<'a>(&self, line: &'a str, cells: &mut Vec<Cow<'a, str>>) {
        cells.clear();
        let line = line.trim_end_matches(['\r', '\n']);
        if line.contains('"') {
            if !self.split_simply_quoted(line, cells) {
                cells.clear();
                self.split_quoted(line, cells);
            }
            return;
        }
        match self.delimiter {
            Delimiter::Byte(byte) => {
                let bytes = line.as_bytes();
                let mut start = 0;
                for end in memchr::memchr_iter(byte, bytes) {
                    cells.push(Cow::Borrowed(line.get(start..end).unwrap_or("")));
                    start = end + 1;
                }
                cells.push(Cow::Borrowed(line.get(start..).unwrap_or("")));
            }
            Delimiter::Blanks => cells.extend(line.split_whitespace().map(Cow::Borrowed)),
        }
    }

    /// Splits a line whose quotes only stand around whole cells without a delimiter in them; `false`
    /// where they do not. Setting up a general reader for every line would cost far more.
    fn split_simply_quoted<'a>(&self, line: &'a str, cells: &mut Vec<Cow<'a, str>>) -> bool {
        let Delimiter::Byte(byte) = self.delimiter else {
            return false;
        };
        for cell in line.split(char::from(byte)) {
            let bare = cell.trim_matches(' ');
            let bare = bare
                .strip_prefix('=')
                .filter(|formula| formula.starts_with('"'))
                .unwrap_or(bare);
            let inner = bare
                .strip_prefix('"')
                .and_then(|rest| rest.strip_suffix('"'));
            match inner {
                Some(inner) if !inner.contains('"') => cells.push(Cow::Borrowed(inner)),
                None if !bare.contains('"') => cells.push(Cow::Borrowed(cell)),
                _ => return false,
            }
        }
        true
    }

    fn split_quoted(&self, line: &str, cells: &mut Vec<Cow<'_, str>>) {
        let (delimiter, input) = match self.delimiter {
            Delimiter::Byte(byte) => (byte, Cow::Borrowed(line)),
            Delimiter::Blanks => (b' ', Cow::Owned(line.replace('\t', " "))),
        };
        // A blank before the opening quote would make the quote part of the cell.
        let mark = char::from(delimiter);
        let input = if input.contains(&format!("{mark} \"")) && delimiter != b' ' {
            Cow::Owned(input.replace(&format!("{mark} \""), &format!("{mark}\"")))
        } else {
            input
        };
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(delimiter)
            .buffer_capacity(input.len().clamp(64, 1 << 16))
            .from_reader(input.trim_start().as_bytes());
        let mut record = csv::StringRecord::new();
        while reader.read_record(&mut record).unwrap_or(false) {
            let blanks = self.delimiter == Delimiter::Blanks;
            cells.extend(
                record
                    .iter()
                    .filter(|cell| !(blanks && cell.is_empty()))
                    .map(|cell| Cow::Owned(cell.to_string())),
            );
        }
    }
}

/// Number of cells up to the last that is not empty.
pub(super) fn filled(cells: &[Cow<'_, str>]) -> usize {
    cells
        .iter()
        .rposition(|cell| !cell.trim().is_empty())
        .map_or(0, |last| last + 1)
}

/// The front of a line, cut at a character.
pub(super) fn clip(line: &str, limit: usize) -> &str {
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
pub(super) fn opens_statement(cells: &[Cow<'_, str>]) -> bool {
    cells.first().is_some_and(|cell| {
        let cell = cell::bare(cell);
        cell.starts_with(char::is_alphabetic)
            && super::meaning::Meaning::of_key_alone(cell).is_some()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_are_taken_off() {
        let dialect = Dialect {
            delimiter: Delimiter::Byte(b','),
            decimal_mark: b'.',
            grouping: None,
            hexadecimal: false,
        };
        let mut cells = Vec::new();
        dialect.split("\"a, b\", \"c\",\"say \"\"d\"\"\"", &mut cells);
        assert_eq!(cells, ["a, b", "c", "say \"d\""]);
    }
}

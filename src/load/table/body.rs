//! Where the rows of a table stand among the lines, and how they fall into cells.

use crate::load::table::kinds::{Kind, first_row, kinds_of};
use crate::load::table::refusal::no_table;
use crate::load::text::detection::{self, commas_are_decimal, commas_serve_twice};
use crate::load::text::dialect::{Delimiter, Dialect};
use crate::load::text::head::{Line, is_bare};
use crate::{Error, ErrorKind};

/// The rows of a table as a whole.
#[derive(Debug)]
pub(crate) struct Body {
    pub dialect: Dialect,
    /// What most rows hold in each column.
    pub kinds: Vec<Kind>,
    /// Place among the lines of the first row.
    pub first_row: usize,
}

impl Body {
    /// Finds the rows among the lines of a front. `whole`: it is the whole file.
    pub fn of(lines: &[Line<'_>], declared: Option<u8>, whole: bool) -> Result<Self, Error> {
        let texts: Vec<&str> = lines.iter().map(|line| line.text.as_ref()).collect();
        let sample = detection::sample(&texts);
        let dialect =
            dialect_of(&texts, &sample, declared).ok_or_else(|| no_table(lines, whole))?;
        let kinds = kinds_of(&sample, dialect)?;
        if dialect.delimiter == Delimiter::Byte(b',')
            && let Some(index) = commas_serve_twice(&texts, kinds.len())
        {
            return Err(ErrorKind::UnsupportedFormat
                .error(
                    "commas serve both as delimiter and as decimal mark; export with semicolons or \
                     with decimal points",
                )
                .at_line(lines[index].number));
        }
        let first_row = first_row(&texts, dialect, &kinds).ok_or_else(|| no_table(lines, whole))?;
        refuse_other_rows(lines, first_row, dialect)?;
        Ok(Self {
            dialect,
            kinds,
            first_row,
        })
    }
}

/// The dialect of a table; `None` where there is none.
fn dialect_of(texts: &[&str], sample: &[&str], declared: Option<u8>) -> Option<Dialect> {
    let candidate = detection::detect(sample, declared)?;
    let decimal = candidate.cells == 2
        && candidate.dialect.delimiter == Delimiter::Byte(b',')
        && commas_are_decimal(texts);
    Some(if decimal {
        Dialect::plain(Delimiter::Byte(b';'), b',')
    } else {
        candidate.dialect
    })
}

/// The delimiter that a first line `sep=;` declares.
pub(crate) fn declared_delimiter(lines: &[Line<'_>]) -> Option<u8> {
    let text = lines.first()?.text.trim().trim_matches('"').to_string();
    let rest = text
        .get(..4)
        .filter(|t| t.eq_ignore_ascii_case("sep="))
        .map(|_| &text[4..])?;
    match rest.as_bytes() {
        [byte] if !byte.is_ascii_alphanumeric() && byte.is_ascii() => Some(*byte),
        b"\\t" => Some(b'\t'),
        _ => None,
    }
}

/// Lines of nothing but data in front of the rows that make a table of their own.
const OTHER_ROWS_LEAST: usize = 3;

/// Refuses a table whose first rows are parted otherwise than the rest: they would be taken for a preamble.
fn refuse_other_rows(lines: &[Line<'_>], first_row: usize, dialect: Dialect) -> Result<(), Error> {
    let mut others = lines[..first_row]
        .iter()
        .rev()
        .filter(|line| !is_bare(line.text.as_bytes()))
        .take_while(|line| dialect.holds_only_data(&line.text));
    if others.by_ref().take(OTHER_ROWS_LEAST).count() < OTHER_ROWS_LEAST {
        return Ok(());
    }
    let last = &lines[first_row];
    Err(ErrorKind::BadValue.error(format!(
            "the rows in front of this line are parted otherwise than it is (by {}): write all rows alike, or put words between two tables",
            dialect.delimiter.name()
        ),
    )
    .at_line(last.number)
    .at_column(1))
}

//! How a text table is built: where its data start, what its columns are, what its preamble says.

use super::LoadOptions;
use super::assembly::{Evidence, Labels, captures_of};
use super::cell::{self, Cell};
use super::columns::{Column, Kind, Role, columns_of};
use super::detection::{self, commas_are_decimal, commas_serve_twice};
use super::dialect::{Delimiter, Dialect};
use super::fact::{self, Fact};
use super::head::{Head, Line, is_bare};
use super::header;
use super::kinds::{first_row, kinds_of, matches_kinds};
use super::meaning::Meaning;
use super::names::read_header;
use super::plan::Plan;
use super::records;
use super::refusal::no_table;
use super::roles::assign_roles;
use super::setting;
use crate::capture::{Acquisition, Channel};
use crate::{Error, ErrorKind, Warning};
use std::borrow::Cow;

/// Rows looked at to understand a table.
const PROBE_ROWS: usize = 600;

/// Statements used at most.
const FACTS_MOST: usize = 1000;

/// Rows looked at where a column of words may name the channel of each.
const LABELLED_ROWS: usize = 1 << 20;

/// Cells looked at, whatever the number of columns; rows that are looked at all the same.
const PROBE_CELLS: usize = 1 << 21;
const PROBE_ROWS_LEAST: usize = 16;

/// Lines of a preamble looked at for statements, at its begin and at its end.
const STATEMENT_LINES: usize = 10_000;

/// One capture found in a table: how it is read and what is known of it.
#[derive(Debug)]
pub(super) struct Found {
    pub plan: Plan,
    pub channels: Vec<Channel>,
    pub acquisition: Acquisition,
    pub warnings: Vec<Warning>,
    pub logic: Vec<String>,
}

/// A table as it was understood.
#[derive(Debug)]
pub(super) struct Layout {
    pub dialect: Dialect,
    pub cells: usize,
    pub facts: Vec<(Meaning, Fact)>,
    pub header_line: Option<u64>,
    /// The text of that line.
    pub header: Option<String>,
    pub units_line: Option<u64>,
    pub columns: Vec<Column>,
    pub captures: Vec<Found>,
    /// Index among the head's lines of the first row.
    pub first_row: usize,
    /// Whether a column of words beside the time may part the rows by channel.
    pub may_be_labelled: bool,
}

/// The delimiter that a first line `sep=;` declares.
fn declared_delimiter(lines: &[Line<'_>]) -> Option<u8> {
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
    Err(Error::new(
        ErrorKind::BadValue,
        format!(
            "the rows in front of this line are parted otherwise than it is (by {}): write all rows alike, or put words between two tables",
            dialect.delimiter.name()
        ),
    )
    .at_line(last.number)
    .at_column(1))
}

/// Understands a table from its head.
pub(super) fn understand(head: &Head<'_>, options: &LoadOptions) -> Result<Layout, Error> {
    let declared = declared_delimiter(&head.lines);
    let skip = usize::from(declared.is_some());
    let lines = &head.lines[skip..];
    let texts: Vec<&str> = lines.iter().map(|line| line.text.as_ref()).collect();
    let Some(candidate) = detection::detect(&texts, declared) else {
        return Err(no_table(lines, head.whole));
    };
    let mut dialect = candidate.dialect;
    if candidate.cells == 2
        && dialect.delimiter == Delimiter::Byte(b',')
        && commas_are_decimal(&texts)
    {
        dialect = Dialect {
            delimiter: Delimiter::Byte(b';'),
            decimal_mark: b',',
            grouping: None,
            hexadecimal: false,
        };
    }
    let kinds = kinds_of(&texts, dialect)?;
    if dialect.delimiter == Delimiter::Byte(b',')
        && let Some(index) = commas_serve_twice(&texts, kinds.len())
    {
        return Err(Error::new(
            ErrorKind::UnsupportedFormat,
            "commas serve both as delimiter and as decimal mark; export with semicolons or with decimal points",
        )
        .at_line(lines[index].number));
    }
    let width = kinds.len();
    let first_row =
        first_row(&texts, dialect, &kinds).ok_or_else(|| no_table(lines, head.whole))?;
    refuse_other_rows(lines, first_row, dialect)?;
    let mut facts = Vec::new();
    let (titles, header_line, units_line) =
        read_header(lines, first_row, dialect, &kinds, &mut facts)?;
    let record = (0..width).find(|i| kinds[*i] == Kind::Number && header::says_record(&titles[*i]));
    let mut probe_rows = if kinds.contains(&Kind::Text) && head.whole {
        LABELLED_ROWS
    } else {
        PROBE_ROWS
    };
    let cells_allow = (PROBE_CELLS / width).max(PROBE_ROWS_LEAST);
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    let mut cells = Vec::new();
    let mut side: Vec<Fact> = Vec::new();
    let mut blanks = 0;
    let mut after_blank = false;
    let mut texts_of_columns: Vec<Vec<String>> = vec![Vec::new(); width];
    for line in &lines[first_row..] {
        if rows.len() >= probe_rows.min(cells_allow) {
            break;
        }
        if line.text.trim().is_empty() {
            blanks += 1;
            after_blank = true;
            continue;
        }
        dialect.split(&line.text, &mut cells);
        let row: Vec<Cell> = cells.iter().map(|cell| dialect.classify(cell)).collect();
        if !matches_kinds(&row, &kinds) {
            if rows.len() >= 2 {
                break;
            }
            continue;
        }
        if std::mem::take(&mut after_blank)
            && width > 1
            && let (Some(Cell::Number(first)), Some(Cell::Number(now))) =
                (rows.first().and_then(|row| row.first()), row.first())
            && now.value <= first.value
            && rows.len() > 1
        {
            break;
        }
        for (index, cell) in cells.iter().enumerate().take(width) {
            if kinds[index] == Kind::Text || record == Some(index) {
                texts_of_columns[index].push(cell::bare(cell).to_string());
            }
        }
        if rows.len() < PROBE_ROWS
            && kinds
                .iter()
                .zip(&row)
                .any(|(kind, cell)| matches!(kind, Kind::Empty | Kind::Text) && *cell == Cell::Text)
        {
            let beside: Vec<Cow<'_, str>> = cells
                .iter()
                .enumerate()
                .map(|(index, cell)| {
                    if kinds
                        .get(index)
                        .is_none_or(|kind| matches!(kind, Kind::Empty | Kind::Text))
                    {
                        cell.clone()
                    } else {
                        Cow::Borrowed("")
                    }
                })
                .collect();
            fact::facts_of_cells(&beside, line.number, &mut side);
        }
        rows.push(row);
        if let ([first, second], Some(record)) = (rows.as_slice(), record)
            && head.whole
            && first.get(record) == second.get(record)
        {
            probe_rows = LABELLED_ROWS;
        }
    }
    let (begin, end) = if first_row > 2 * STATEMENT_LINES {
        let (begin, rest) = lines[..first_row].split_at(STATEMENT_LINES);
        (begin, &rest[rest.len() - STATEMENT_LINES..])
    } else {
        lines[..first_row].split_at(0)
    };
    for line in begin.iter().chain(end) {
        if Some(line.number) != header_line && Some(line.number) != units_line {
            fact::facts_of(&line.text, line.number, dialect, &mut facts);
        }
    }
    for pair in begin.windows(2).chain(end.windows(2)) {
        fact::facts_of_rows(
            &pair[0].text,
            &pair[1].text,
            pair[1].number,
            dialect,
            &mut facts,
        );
    }
    facts.extend(side);
    let mut columns = columns_of(&kinds, titles, &rows, &texts_of_columns);
    let known: Vec<(Meaning, Fact)> = facts
        .into_iter()
        .filter_map(|fact| Some((fact.meaning(dialect.decimal_mark)?, fact)))
        .take(FACTS_MOST)
        .collect();
    assign_roles(&mut columns, &rows, &known, options);
    let mut layout = Layout {
        dialect,
        cells: width,
        facts: known,
        header_line,
        header: lines[..first_row]
            .iter()
            .find(|line| Some(line.number) == header_line)
            .map(|line| line.text.trim().to_string()),
        units_line,
        columns,
        captures: Vec::new(),
        first_row: first_row + skip,
        may_be_labelled: false,
    };
    let loose = lines[..first_row]
        .iter()
        .filter(|line| line.text.contains(|c: char| c.is_ascii_digit()))
        .find_map(|line| setting::loose_rate(&line.text));
    let label = layout.columns.iter().position(|c| c.role == Role::Label);
    let time = layout
        .columns
        .iter()
        .position(|c| c.role == Role::Time && c.kind == Kind::Number);
    let mut labels = None;
    if let (Some(label), Some(time)) = (label, time) {
        layout.may_be_labelled = true;
        if head.whole {
            labels =
                records::labels(head, layout.first_row, dialect, label, time, width).map(|names| {
                    Labels {
                        column: label,
                        numbered: layout.columns[label].kind == Kind::Number,
                        names,
                        of_rows: std::mem::take(&mut texts_of_columns[label]),
                    }
                });
        }
    }
    let evidence = Evidence {
        terminator: head.terminator,
        first: &lines[first_row],
        rows: &rows,
        blanks,
        loose,
        labels: labels.as_ref(),
    };
    layout.captures = captures_of(&layout, &evidence, options)?;
    Ok(layout)
}

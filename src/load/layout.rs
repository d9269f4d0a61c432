//! How a text table is built: where its data start, what its columns are, what its preamble says.

use super::LoadOptions;
use super::cell::{self, Cell};
use super::dialect::{self, Delimiter, Dialect, filled};
use super::head::{Head, Line};
use super::header::{self, Title};
use super::number::Decimal;
use super::preamble::{self, Fact, Meaning, Value};
use super::table::{Plan, TimeCells, Use, rounding_of, seconds_after};
use super::time_base::Statements;
use super::time_column::{Grid, short};
use super::unit::{self, Unit};
use crate::capture::{Acquisition, Channel, Coupling};
use crate::{Error, ErrorKind, Warning, WarningCode};
use std::borrow::Cow;

/// Rows looked at to understand a table.
const PROBE_ROWS: usize = 1000;

/// What a column holds, by its cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Number,
    Clock,
    Date,
    Stamp,
    Text,
    Empty,
}

/// What a column is taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Time,
    Index,
    Signal,
    Logic,
    Label,
    Unit,
    Empty,
}

impl Role {
    /// Its name in an explanation.
    pub fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Index => "index",
            Self::Signal => "signal",
            Self::Logic => "logic",
            Self::Label => "label",
            Self::Unit => "unit",
            Self::Empty => "empty",
        }
    }
}

/// One column as it was understood.
#[derive(Debug, Clone)]
pub(super) struct Column {
    kind: Kind,
    pub role: Role,
    pub title: Title,
    /// Unit written in a column of its own or behind the numbers.
    cell_unit: Option<String>,
    numbers: Vec<Option<Decimal>>,
}

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
    pub units_line: Option<u64>,
    pub columns: Vec<Column>,
    pub captures: Vec<Found>,
    /// Index among the head's lines of the first row, and of the first line after the probed rows.
    pub first_row: usize,
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

/// Understands a table from its head.
pub(super) fn understand(head: &Head<'_>, options: &LoadOptions) -> Result<Layout, Error> {
    let declared = declared_delimiter(&head.lines);
    let skip = usize::from(declared.is_some());
    let lines = &head.lines[skip..];
    let texts: Vec<&str> = lines.iter().map(|line| line.text.as_ref()).collect();
    let Some(candidate) = dialect::detect(&texts, declared) else {
        return Err(no_table(lines));
    };
    let mut dialect = candidate.dialect;
    if candidate.cells == 2
        && dialect.delimiter == Delimiter::Byte(b',')
        && commas_are_decimal(&texts)
    {
        dialect = Dialect {
            delimiter: Delimiter::Byte(b';'),
            decimal_mark: b',',
        };
    }
    let kinds = kinds_of(&texts, dialect)?;
    let width = kinds.len();
    let first_row = first_row(&texts, dialect, &kinds).ok_or_else(|| no_table(lines))?;
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    let mut raw_width = 0;
    let mut cells = Vec::new();
    let mut side: Vec<Fact> = Vec::new();
    let mut blanks = 0;
    let mut texts_of_columns: Vec<Vec<String>> = vec![Vec::new(); width];
    for line in &lines[first_row..] {
        if rows.len() >= PROBE_ROWS {
            break;
        }
        if line.text.trim().is_empty() {
            blanks += 1;
            continue;
        }
        dialect.split(&line.text, &mut cells);
        let row: Vec<Cell> = cells
            .iter()
            .map(|cell| cell::classify(cell, dialect.decimal_mark))
            .collect();
        if !matches_kinds(&row, &kinds) {
            if rows.len() >= 2 {
                break;
            }
            continue;
        }
        raw_width = raw_width.max(cells.len());
        for (index, cell) in cells.iter().enumerate().take(width) {
            if kinds[index] == Kind::Text && texts_of_columns[index].len() < 64 {
                texts_of_columns[index].push(cell::bare(cell).to_string());
            }
        }
        if kinds
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
            preamble::facts_of_cells(&beside, line.number, &mut side);
        }
        rows.push(row);
    }
    let mut facts = Vec::new();
    let (titles, header_line, units_line) =
        read_header(lines, first_row, dialect, &kinds, &mut facts);
    for line in lines[..first_row]
        .iter()
        .filter(|line| Some(line.number) != header_line && Some(line.number) != units_line)
    {
        preamble::facts_of(&line.text, line.number, dialect, &mut facts);
    }
    facts.extend(side);
    let mut columns = columns_of(&kinds, titles, &rows, &texts_of_columns);
    let known: Vec<(Meaning, Fact)> = facts
        .into_iter()
        .filter_map(|fact| Some((preamble::meaning(&fact.key)?, fact)))
        .collect();
    assign_roles(&mut columns, &rows, &known, options);
    let mut layout = Layout {
        dialect,
        cells: width,
        facts: known,
        header_line,
        units_line,
        columns,
        captures: Vec::new(),
        first_row: first_row + skip,
    };
    let loose = lines[..first_row]
        .iter()
        .filter(|line| line.text.contains(|c: char| c.is_ascii_digit()))
        .find_map(|line| preamble::loose_rate(&line.text));
    layout.captures = captures_of(
        &layout,
        head,
        &lines[first_row],
        &rows,
        blanks,
        loose,
        options,
    )?;
    Ok(layout)
}

/// Why no table was found.
fn no_table(lines: &[Line<'_>]) -> Error {
    let filled: Vec<&Line<'_>> = lines
        .iter()
        .filter(|line| !line.text.trim().is_empty())
        .collect();
    if filled.is_empty() {
        return Error::new(
            ErrorKind::NoSamples,
            "the file is empty; export the capture again",
        );
    }
    if let Some(line) = filled.iter().find(|line| has_thousands(&line.text)) {
        return Error::new(
            ErrorKind::UnsupportedFormat,
            "numbers with separators between thousands are not read; export without them",
        )
        .at_line(line.number);
    }
    let tabular = filled
        .iter()
        .any(|line| line.text.contains([',', ';', '\t', '|']))
        || filled.len() == 1 && filled[0].text.len() < 80;
    if tabular {
        Error::new(
            ErrorKind::NoSamples,
            "the file holds no row of numbers, only text; export the capture with its data",
        )
    } else {
        Error::new(
            ErrorKind::UnsupportedFormat,
            "this is no table of numbers; export the capture as CSV or WAV",
        )
    }
}

fn has_thousands(text: &str) -> bool {
    text.split(['"', ';', '\t', ' ']).any(|cell| {
        let cell = cell.trim().trim_start_matches(['-', '+']);
        let Some((whole, _)) = cell.split_once('.') else {
            return false;
        };
        let mut groups = whole.split(',');
        let first = groups.next().unwrap_or("");
        let rest: Vec<&str> = groups.collect();
        !rest.is_empty()
            && (1..=3).contains(&first.len())
            && first.bytes().all(|b| b.is_ascii_digit())
            && rest
                .iter()
                .all(|g| g.len() == 3 && g.bytes().all(|b| b.is_ascii_digit()))
    })
}

/// Whether the commas of a two-cell table are decimal marks of a single column: a cell `-0`, or a
/// second cell with leading zeros, is no integer; nor has a header of one cell two columns below.
fn commas_are_decimal(texts: &[&str]) -> bool {
    let mut rows = 0;
    let mut evidence = 0;
    let mut header_cells = None;
    for text in texts
        .iter()
        .filter(|text| !text.trim().is_empty())
        .take(400)
    {
        let text = text.trim();
        let integers = text.split_once(',').filter(|(a, b)| {
            let a = a.trim_start_matches(['-', '+']);
            !a.is_empty()
                && a.bytes().all(|c| c.is_ascii_digit())
                && !b.is_empty()
                && b.bytes().all(|c| c.is_ascii_digit())
        });
        match integers {
            Some((a, b)) => {
                rows += 1;
                if a == "-0" || a == "+0" || (b.len() > 1 && b.starts_with('0')) {
                    evidence += 1;
                }
            }
            None if rows == 0 => header_cells = Some(text.split(',').count()),
            None => {}
        }
    }
    rows > 0 && (evidence > 0 || header_cells == Some(1))
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

/// What most rows hold in each column.
fn kinds_of(texts: &[&str], dialect: Dialect) -> Result<Vec<Kind>, Error> {
    let from = texts.len().saturating_sub(texts.len() / 2 + 200);
    let mut cells = Vec::new();
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    for text in texts[from..]
        .iter()
        .filter(|text| !text.trim().is_empty())
        .take(400)
    {
        dialect.split(text, &mut cells);
        let count = filled(&cells);
        rows.push(
            cells[..count]
                .iter()
                .map(|cell| cell::classify(cell, dialect.decimal_mark))
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
    if width == 0 {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "the file holds no row of numbers",
        ));
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
fn matches_kinds(row: &[Cell], kinds: &[Kind]) -> bool {
    let mut data = 0;
    for (index, kind) in kinds.iter().enumerate() {
        if matches!(kind, Kind::Empty | Kind::Text) {
            continue;
        }
        match row.get(index).and_then(kind_of) {
            None => {}
            Some(found) if found == *kind => data += 1,
            Some(Kind::Number) | Some(_) => return false,
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

fn first_row(texts: &[&str], dialect: Dialect, kinds: &[Kind]) -> Option<usize> {
    let is_row = |text: &str| {
        let mut cells = Vec::new();
        dialect.split(text, &mut cells);
        let row: Vec<Cell> = cells
            .iter()
            .map(|cell| cell::classify(cell, dialect.decimal_mark))
            .collect();
        matches_kinds(&row, kinds)
    };
    let mut fallback = None;
    for (index, text) in texts.iter().enumerate() {
        if text.trim().is_empty() || !is_row(text) {
            continue;
        }
        let next = texts[index + 1..]
            .iter()
            .find(|text| !text.trim().is_empty());
        match next {
            Some(next) if is_row(next) => return Some(index),
            Some(_) => fallback = fallback.or(Some(index)),
            None => return fallback.or(Some(index)),
        }
    }
    fallback
}

/// Names and units from the rows in front of the data.
fn read_header(
    lines: &[Line<'_>],
    first_row: usize,
    dialect: Dialect,
    kinds: &[Kind],
    facts: &mut Vec<Fact>,
) -> (Vec<Title>, Option<u64>, Option<u64>) {
    let width = kinds.len();
    let mut titles = vec![Title::default(); width];
    let mut header: Option<(u64, Vec<String>)> = None;
    let mut units: Option<(u64, Vec<String>)> = None;
    let mut looked = 0;
    for line in lines[..first_row].iter().rev() {
        let text = line.text.trim();
        if text.is_empty() || text.chars().all(|c| !c.is_alphanumeric()) {
            continue;
        }
        looked += 1;
        if looked > 4 {
            break;
        }
        let Some(row) = header_cells(text, dialect, width) else {
            if units.is_some() {
                break;
            }
            continue;
        };
        let named: Vec<&String> = row.iter().filter(|cell| !cell.is_empty()).collect();
        let all_units = named.iter().all(|cell| {
            unit::is_unit(cell) || cell::classify(cell, dialect.decimal_mark).is_datum()
        }) && named.iter().any(|cell| unit::is_unit(cell));
        let statement = is_statement(&row, width);
        if statement {
            if units.is_some() || looked > 1 {
                break;
            }
            continue;
        }
        if all_units && units.is_none() && header.is_none() {
            units = Some((line.number, row));
            continue;
        }
        if !named
            .iter()
            .any(|cell| cell.chars().any(char::is_alphabetic) || cell.as_str() == "#")
        {
            continue;
        }
        if all_units && units.is_none() {
            units = Some((line.number, row));
            break;
        }
        if header.is_some() {
            break;
        }
        header = Some((line.number, row));
        if units.is_some() {
            break;
        }
    }
    let mut header_line = header.as_ref().map(|(line, _)| *line);
    let mut units_line = units.as_ref().map(|(line, _)| *line);
    match (&header, &units) {
        (Some((line, names)), units) => {
            for (index, name) in names.iter().enumerate().take(width) {
                titles[index] = header::title(name);
            }
            if let Some((_, units)) = units {
                for (index, text) in units.iter().enumerate().take(width) {
                    if unit::is_unit(text) {
                        titles[index].unit = Some(text.clone());
                    }
                }
            }
            values_under_names(names, units.as_ref(), lines, first_row, dialect, facts);
            for name in names {
                let cell = [Cow::Borrowed(name.as_str())];
                if name.contains(['=', ':']) {
                    preamble::facts_of_cells(&cell, *line, facts);
                }
            }
        }
        (None, Some((line, names))) => {
            for (index, name) in names.iter().enumerate().take(width) {
                titles[index] = Title {
                    name: cell::bare(name)
                        .trim_matches(['(', ')', '[', ']'])
                        .to_string(),
                    unit: Some(name.clone()),
                };
            }
            header_line = Some(*line);
            units_line = None;
        }
        (None, None) => {}
    }
    (titles, header_line, units_line)
}

/// A row like `X,CH1,Start,Increment` over `s,V,-0.5,0.001`: the numbers belong to the names above.
fn values_under_names(
    names: &[String],
    units: Option<&(u64, Vec<String>)>,
    lines: &[Line<'_>],
    first_row: usize,
    dialect: Dialect,
    facts: &mut Vec<Fact>,
) {
    let below: Vec<(u64, Vec<String>)> = match units {
        Some(units) => vec![units.clone()],
        None => lines[first_row..]
            .iter()
            .take(1)
            .map(|line| {
                let mut cells = Vec::new();
                dialect.split(&line.text, &mut cells);
                (
                    line.number,
                    cells
                        .iter()
                        .map(|cell| cell::bare(cell).to_string())
                        .collect(),
                )
            })
            .collect(),
    };
    for (number, row) in below {
        for (index, name) in names.iter().enumerate() {
            let meant = preamble::meaning(name);
            if !matches!(
                meant,
                Some(Meaning::StartTime | Meaning::SampleInterval | Meaning::SampleRate)
            ) {
                continue;
            }
            if let Some(value) = row
                .get(index)
                .filter(|value| preamble::number_and_unit(value, dialect.decimal_mark).is_some())
            {
                facts.push(Fact {
                    key: name.clone(),
                    values: vec![value.clone()],
                    line: number,
                });
            }
        }
    }
}

/// The cells of a row in front of the data, where there can be one a column.
fn header_cells(text: &str, dialect: Dialect, width: usize) -> Option<Vec<String>> {
    let bare_cells = |cells: &[Cow<'_, str>]| -> Vec<String> {
        cells
            .iter()
            .map(|cell| cell::bare(cell).to_string())
            .collect()
    };
    let stripped = if text.starts_with(['#', '%', ';', '!'])
        && !(dialect.delimiter == Delimiter::Byte(b';') && text.starts_with(';'))
    {
        text.trim_start_matches(['#', '%', ';', '!']).trim_start()
    } else {
        text
    };
    let keep_mark = stripped.len() != text.len() && text.starts_with("# ,");
    let stripped =
        if keep_mark || stripped.starts_with([',', ';', '\t', '|']) && text.starts_with('#') {
            text
        } else {
            stripped
        };
    let mut cells = Vec::new();
    dialect.split(stripped, &mut cells);
    let count = filled(&cells);
    match dialect.delimiter {
        Delimiter::Byte(_) if width > 1 => (count > 1 && count >= width.div_ceil(2)
            || count == 1 && cells.len() >= width)
            .then(|| bare_cells(&cells)),
        Delimiter::Byte(_) => Some(vec![cell::bare(stripped).to_string()]),
        Delimiter::Blanks => {
            if count == width {
                return Some(bare_cells(&cells));
            }
            let wide: Vec<String> = split_wide(stripped);
            if wide.len() == width {
                return Some(wide);
            }
            // Units in brackets stand apart from their names: `Time (s) CH1 (V)`.
            let mut merged: Vec<String> = Vec::new();
            for cell in &cells {
                match merged.last_mut() {
                    Some(last) if cell.starts_with(['(', '[']) => {
                        last.push(' ');
                        last.push_str(cell);
                    }
                    _ => merged.push(cell.to_string()),
                }
            }
            if merged.len() == width {
                return Some(merged);
            }
            let commas: Vec<String> = stripped
                .split([',', ';'])
                .map(|cell| cell::bare(cell).to_string())
                .collect();
            (commas.len() == width && width > 1).then_some(commas)
        }
    }
}

/// Splits at tabs and at two blanks or more.
fn split_wide(text: &str) -> Vec<String> {
    text.replace('\t', "  ")
        .split("  ")
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(String::from)
        .collect()
}

const DESCRIPTIVE: [&str; 40] = [
    "model",
    "serial",
    "serial number",
    "firmware",
    "firmware version",
    "version",
    "instrument",
    "operator",
    "comment",
    "comments",
    "title",
    "file",
    "filename",
    "file name",
    "author",
    "device",
    "manufacturer",
    "vendor",
    "description",
    "name",
    "project",
    "location",
    "user",
    "note",
    "notes",
    "source file",
    "format",
    "type",
    "mode",
    "software",
    "created",
    "exported",
    "saved",
    "logger",
    "test",
    "trigger",
    "trigger source",
    "acquisition",
    "acquisition mode",
    "channels",
];

/// Whether a row of cells is a key with its value rather than names of columns.
fn is_statement(row: &[String], width: usize) -> bool {
    let first = row.first().map_or("", String::as_str);
    let second = row.get(1).map_or("", String::as_str);
    if width == 1 {
        return first.contains(':')
            && first
                .split_once(':')
                .is_some_and(|(_, v)| !v.trim().is_empty())
            || first.contains('=')
            || preamble::meaning(first).is_some()
            || DESCRIPTIVE.contains(&first.to_lowercase().as_str());
    }
    if DESCRIPTIVE.contains(&first.trim_end_matches([':', ' ']).to_lowercase().as_str()) {
        return true;
    }
    if first.ends_with(':') || first.ends_with('=') {
        return true;
    }
    let value_like = preamble::number_and_unit(second, b'.').is_some()
        || preamble::coupling(second).is_some()
        || second.is_empty();
    if first.contains('=') || first.contains(": ") {
        return true;
    }
    let title = header::title(first);
    let says = header::says_time(&title) || header::says_index(&title);
    if matches!(
        preamble::meaning(first),
        Some(Meaning::StartTime | Meaning::SampleInterval | Meaning::Points)
    ) && !value_like
    {
        return false;
    }
    preamble::meaning(first).is_some() && (!says || value_like)
        || second.is_empty() && row.iter().skip(2).all(String::is_empty) && !says
        || (value_like
            && !second.is_empty()
            && !says
            && row
                .iter()
                .skip(1)
                .filter(|c| !c.is_empty())
                .all(|c| preamble::number_and_unit(c, b'.').is_some())
            && width == 2)
}

fn columns_of(
    kinds: &[Kind],
    titles: Vec<Title>,
    rows: &[Vec<Cell>],
    texts: &[Vec<String>],
) -> Vec<Column> {
    kinds
        .iter()
        .zip(titles)
        .enumerate()
        .map(|(index, (kind, title))| {
            let numbers: Vec<Option<Decimal>> = rows
                .iter()
                .map(|row| match row.get(index) {
                    Some(Cell::Number(number) | Cell::Quantity(number, _)) => Some(*number),
                    _ => None,
                })
                .collect();
            let beside = texts.get(index + 1).and_then(|texts| {
                let first = texts.first()?;
                (kinds.get(index + 1) == Some(&Kind::Text)
                    && unit::is_unit(first)
                    && texts.iter().all(|text| text == first))
                .then(|| first.clone())
            });
            Column {
                kind: *kind,
                role: match kind {
                    Kind::Empty => Role::Empty,
                    Kind::Text => Role::Label,
                    _ => Role::Signal,
                },
                title,
                cell_unit: if *kind == Kind::Number { beside } else { None },
                numbers,
            }
        })
        .collect()
}

impl Column {
    fn present(&self) -> impl Iterator<Item = &Decimal> {
        self.numbers.iter().flatten()
    }

    fn unit_text(&self) -> Option<&str> {
        self.title.unit.as_deref().or(self.cell_unit.as_deref())
    }

    fn is_integer(&self) -> bool {
        self.present()
            .all(|number| number.value.fract() == 0.0 && number.exponent >= 0)
    }

    /// Whether the numbers rise evenly: each within its rounding of a straight line.
    fn is_even(&self) -> bool {
        let values: Vec<Decimal> = self.numbers.iter().flatten().copied().collect();
        let (Some(first), Some(last)) = (values.first(), values.last()) else {
            return false;
        };
        let count = values.len();
        let step = (last.value - first.value) / (count.max(2) - 1) as f64;
        if count < 3 || step <= 0.0 {
            return false;
        }
        let widest = values.iter().map(Decimal::width).max().unwrap_or(0);
        let mut rounding = 0.0f64;
        let mut risen = 0;
        for pair in values.windows(2) {
            if pair[1].value < pair[0].value {
                return false;
            }
            risen += usize::from(pair[1].value > pair[0].value);
        }
        for value in &values {
            rounding = rounding.max(rounding_of(*value, widest));
        }
        risen >= 2
            && values.iter().enumerate().all(|(index, value)| {
                (value.value - first.value - index as f64 * step).abs()
                    <= rounding * 1.01 + step * 0.02
            })
    }

    /// Whether the numbers count the rows: integers that rise by one and the same step.
    fn is_counter(&self) -> bool {
        let mut previous: Option<f64> = None;
        let mut step: Option<f64> = None;
        for number in self.present() {
            if number.value.fract() != 0.0 {
                return false;
            }
            if let Some(previous) = previous {
                let difference = number.value - previous;
                if difference <= 0.0 || step.is_some_and(|step| step != difference) {
                    return false;
                }
                step = Some(difference);
            }
            previous = Some(number.value);
        }
        step.is_some() || self.present().count() == 1
    }

    fn is_logic(&self) -> bool {
        self.unit_text().is_none()
            && self.present().count() >= 2
            && self
                .present()
                .all(|n| n.exponent == 0 && matches!(n.mantissa, 0 | 1) && n.length == 1)
    }
}

/// Decides which columns are time bases, indices, logic channels and signals.
fn assign_roles(
    columns: &mut [Column],
    rows: &[Vec<Cell>],
    facts: &[(Meaning, Fact)],
    options: &LoadOptions,
) {
    let numeric = columns.iter().filter(|c| c.kind == Kind::Number).count();
    let has_names = columns
        .iter()
        .any(|c| !c.title.name.is_empty() || c.title.unit.is_some());
    for column in columns.iter_mut() {
        match column.kind {
            Kind::Clock | Kind::Date | Kind::Stamp => column.role = Role::Time,
            Kind::Text
                if column.title.name.eq_ignore_ascii_case("unit")
                    || column.title.name.eq_ignore_ascii_case("units") =>
            {
                column.role = Role::Unit;
            }
            _ => {}
        }
    }
    let moments = columns
        .iter()
        .any(|c| matches!(c.kind, Kind::Clock | Kind::Stamp));
    let value_unit = |column: &Column| {
        column
            .unit_text()
            .is_some_and(|u| unit::value_unit(u).is_some())
    };
    let others = numeric > 1 || moments;
    for index in 0..columns.len() {
        let column = &columns[index];
        if column.kind != Kind::Number || value_unit(column) {
            continue;
        }
        let milliseconds = moments
            && index > 0
            && columns[index - 1].role == Role::Time
            && matches!(
                header::words(&column.title.name).concat().as_str(),
                "ms" | "msec" | "millisecond" | "milliseconds" | "millis"
            );
        let named_time = header::says_time(&column.title)
            || column
                .cell_unit
                .as_deref()
                .is_some_and(|u| unit::time_unit(u).is_some());
        let named_index = header::says_index(&column.title);
        let role = if milliseconds {
            Some(Role::Time)
        } else if named_index && (column.is_counter()) && others {
            // Named `x` or `t` with a time unit it is a time base all the same.
            if named_time && column.title.unit.is_some() {
                Some(Role::Time)
            } else {
                Some(Role::Index)
            }
        } else if named_time {
            Some(Role::Time)
        } else {
            None
        };
        if let Some(role) = role {
            columns[index].role = role;
        }
    }
    let has_time = |columns: &[Column]| columns.iter().any(|c| c.role == Role::Time);
    if !has_time(columns) && numeric > 1 {
        // No name says so: a column that rises evenly beside others is a time base, one that
        // counts by ones an index.
        let mut order: Vec<usize> = (0..columns.len()).collect();
        if has_names {
            order.truncate(
                1 + columns
                    .iter()
                    .position(|c| c.kind == Kind::Number)
                    .unwrap_or(0),
            );
        }
        let mut taken = false;
        for index in order {
            let column = &columns[index];
            if column.kind != Kind::Number
                || column.role != Role::Signal
                || value_unit(column)
                || !column.is_even()
            {
                continue;
            }
            let left = columns
                .iter()
                .filter(|c| c.kind == Kind::Number && c.role == Role::Signal)
                .count();
            if left < 2 {
                break;
            }
            if column.is_counter() && is_by_ones(column) {
                columns[index].role = Role::Index;
            } else if !taken {
                columns[index].role = Role::Time;
                taken = true;
            }
        }
    }
    // A `time` without unit that counts by ones is an index where something else tells the rate.
    let rate_told = options.sample_rate_hz.is_some()
        || facts
            .iter()
            .any(|(meaning, _)| matches!(meaning, Meaning::SampleRate | Meaning::SampleInterval));
    for column in columns.iter_mut() {
        if column.role == Role::Time
            && column.kind == Kind::Number
            && column.title.unit.is_none()
            && rate_told
            && column.is_counter()
            && is_by_ones(column)
            && !facts
                .iter()
                .any(|(meaning, _)| *meaning == Meaning::TimeUnit)
        {
            column.role = Role::Index;
        }
    }
    let analog = columns
        .iter()
        .filter(|c| c.kind == Kind::Number && c.role == Role::Signal && !c.is_logic())
        .count();
    if analog > 0 && rows.len() >= 2 {
        for column in columns.iter_mut() {
            if column.kind == Kind::Number && column.role == Role::Signal && column.is_logic() {
                column.role = Role::Logic;
            }
        }
    }
    for index in 1..columns.len() {
        if columns[index - 1].cell_unit.is_some() {
            columns[index].role = Role::Unit;
        }
    }
    // A column without any number under a name that declares the time base (`Start`, `Increment`).
    for column in columns.iter_mut() {
        if column.role == Role::Signal
            && column.present().count() <= 1
            && rows.len() > 2
            && matches!(
                preamble::meaning(&column.title.name),
                Some(Meaning::StartTime | Meaning::SampleInterval)
            )
        {
            column.role = Role::Empty;
        }
    }
}

fn is_by_ones(column: &Column) -> bool {
    let mut numbers = column.present();
    match (numbers.next(), numbers.next()) {
        (Some(a), Some(b)) => b.value - a.value == 1.0,
        _ => true,
    }
}

/// The value of a statement that belongs to a column: by position, in order, or the only one.
fn value_for(values: &[Value], column: usize, order: usize, channels: usize) -> Option<&Value> {
    match values {
        [] => None,
        [only] => Some(only),
        _ => values
            .iter()
            .find(|value| value.position + 1 == column)
            .filter(|_| values.len() >= channels)
            .or_else(|| (values.len() == channels).then(|| &values[order]))
            .or(values.first()),
    }
}

struct Stated {
    rate_hz: Option<f64>,
    start_s: Option<f64>,
    points: Option<u64>,
}

/// Rate, start and length from the preamble.
fn stated(facts: &[(Meaning, Fact)], mark: u8, loose: Option<f64>) -> (Stated, Vec<Warning>) {
    let mut warnings = Vec::new();
    let mut rate: Option<f64> = None;
    let mut interval: Option<f64> = None;
    let mut start = None;
    let mut points = None;
    let mut trigger: Option<(f64, Option<String>)> = None;
    for (meaning, fact) in facts {
        let numbers = fact.numbers(mark);
        let Some(value) = numbers.first() else {
            continue;
        };
        let unit = value.unit.as_deref().unwrap_or("");
        let known_unit = !unit.trim().is_empty();
        let sound = |x: f64| x.is_finite() && x > 0.0;
        match meaning {
            Meaning::SampleRate => {
                let stated = match (unit::rate_unit(unit), unit::time_unit(unit)) {
                    (Some(factor), _) => Some(value.number * factor),
                    (None, Some(factor)) => Some(1.0 / (value.number * factor)),
                    (None, None) if !known_unit || unit.len() > 12 => Some(value.number),
                    _ => None,
                };
                rate = rate.or(stated.filter(|x| sound(*x)));
            }
            Meaning::SampleInterval => {
                let stated = match (unit::time_unit(unit), unit::rate_unit(unit)) {
                    (Some(factor), _) => Some(value.number * factor),
                    (None, Some(factor)) => Some(1.0 / (value.number * factor)),
                    (None, None) => {
                        let per = unit.split('/').next().and_then(unit::time_unit);
                        match (per, known_unit) {
                            (Some(factor), _) => Some(value.number * factor),
                            (None, false) => Some(value.number),
                            (None, true) => None,
                        }
                    }
                };
                let stated = super::clock::clock_time(fact.text())
                    .map(|m| m.seconds)
                    .or(stated);
                interval = interval.or(stated.filter(|x| sound(*x)));
            }
            Meaning::Points => {
                let plain = unit::time_unit(unit).is_none() && unit::value_unit(unit).is_none();
                if plain
                    && value.number.fract() == 0.0
                    && value.number >= 1.0
                    && value.number < 1e15
                {
                    points = points.or(Some(value.number as u64));
                }
            }
            Meaning::StartTime
                if !fact.text().contains(':') && super::clock::date(fact.text()).is_none() =>
            {
                let factor = unit::time_unit(unit).or((!known_unit).then_some(1.0));
                start = start.or(factor.map(|factor| value.number * factor));
            }
            Meaning::TriggerPosition => {
                trigger = trigger.or(Some((value.number, value.unit.clone())));
            }
            _ => {}
        }
    }
    let by_interval = interval.map(|interval| {
        let rate = 1.0 / interval;
        let round = format!("{rate:.11e}").parse().unwrap_or(rate);
        if (round / rate - 1.0f64).abs() < 2e-12 {
            round
        } else {
            rate
        }
    });
    if let (Some(rate), Some(other)) = (rate, by_interval)
        && (rate / other - 1.0).abs() > 1e-3
    {
        warnings.push(Warning::new(
            WarningCode::RateMismatch,
            format!("the preamble gives the rate as {} Hz and the interval as {} s ({} Hz): check which is right and give it with --sample-rate",
                short(rate), short(interval.unwrap_or(0.0)), short(other)),
        ));
    }
    let rate_hz = rate.or(by_interval).or(loose);
    if start.is_none()
        && let (Some((number, unit)), Some(rate)) = (trigger, rate_hz)
    {
        let unit = unit.unwrap_or_default();
        start = if unit.trim() == "%" {
            points.map(|points| -(number / 100.0) * points as f64 / rate)
        } else if let Some(factor) = unit::time_unit(&unit) {
            Some(-number * factor)
        } else if number.fract() == 0.0 && number >= 0.0 {
            Some(-number / rate)
        } else {
            None
        };
    }
    (
        Stated {
            rate_hz,
            start_s: start,
            points,
        },
        warnings,
    )
}

/// The captures of a table: one, or one for each group of columns with a time base of its own.
fn captures_of(
    layout: &Layout,
    head: &Head<'_>,
    first: &Line<'_>,
    rows: &[Vec<Cell>],
    blanks: usize,
    loose: Option<f64>,
    options: &LoadOptions,
) -> Result<Vec<Found>, Error> {
    let columns = &layout.columns;
    let mark = layout.dialect.decimal_mark;
    let signals: Vec<usize> = (0..columns.len())
        .filter(|i| columns[*i].role == Role::Signal)
        .collect();
    if signals.is_empty() {
        let what = if columns.iter().any(|c| c.role == Role::Time) {
            "there is a time column but no column of samples beside it"
        } else {
            "no column holds samples"
        };
        return Err(Error::new(
            ErrorKind::NoSamples,
            format!("{what}; export the capture with its data"),
        )
        .at_line(first.number));
    }
    let (stated, mut warnings) = stated(&layout.facts, mark, loose);
    let groups = group_columns(columns, &signals, rows, layout)?;
    let names = channel_names(columns, &signals);
    let (acquisition, more) = acquisition_of(layout, &signals, options);
    warnings.extend(more);
    let logic: Vec<String> = columns
        .iter()
        .enumerate()
        .filter(|(_, c)| c.role == Role::Logic)
        .map(|(i, c)| {
            if c.title.name.is_empty() {
                format!("column {}", i + 1)
            } else {
                c.title.name.clone()
            }
        })
        .collect();
    let several = groups.len() > 1;
    let mut found = Vec::new();
    for (time, members) in groups {
        let mut uses = vec![Use::Skip; columns.len()];
        let mut channels = Vec::new();
        for column in &members {
            let order = signals.iter().position(|s| s == column).unwrap_or(0);
            let scaling = scaling_of(layout, *column, order, signals.len(), options);
            uses[*column] = Use::Value {
                channel: channels.len(),
                reference: scaling.reference,
                factor: scaling.factor * options.scale,
                offset: scaling.offset * options.scale,
            };
            channels.push(Channel {
                name: names[order].clone(),
                unit: scaling.unit,
            });
        }
        let stamps = match &time {
            Some(time) => stamps_of(*time, rows),
            None => None,
        };
        let mut grid = None;
        let mut start_s = stated.start_s.unwrap_or(0.0);
        let time = if options.sample_rate_hz.is_some()
            && stamps.as_ref().is_none_or(|s| s.relative.len() < 2)
        {
            None
        } else {
            time
        };
        if let (Some(time), Some(stamps)) = (time, &stamps) {
            mark_time(&mut uses, time);
            if let Some(first) = stamps.first_s {
                start_s = first;
            }
            grid = grid_of(stamps, &stated, options, first)?;
        } else if let Some(time) = time {
            mark_time(&mut uses, time);
        }
        let checked = grid.filter(|_| options.sample_rate_hz.is_none());
        let time = if checked.is_some() { time } else { None };
        if time.is_none() {
            for column in &mut uses {
                if *column == Use::Time {
                    *column = Use::Skip;
                }
            }
        }
        let plan = Plan {
            dialect: layout.dialect,
            terminator: head.terminator,
            offset: first.offset,
            line: first.number,
            end: None,
            columns: uses,
            time,
            grid: if options.sample_rate_hz.is_some() {
                None
            } else {
                grid
            },
            statements: Statements {
                user_hz: options.sample_rate_hz,
                stated_hz: stated.rate_hz,
                start_s,
            },
            stated_frames: stated.points,
            may_end_early: several,
            blank_is_missing: columns.len() == 1 && blanks * 5 < rows.len() * 2,
            plain: options.general_only,
        };
        let mut warnings = warnings.clone();
        if let (Some(user), Some(grid)) = (options.sample_rate_hz, grid) {
            let (_, told) = super::time_base::decide(
                Statements {
                    user_hz: Some(user),
                    stated_hz: None,
                    start_s,
                },
                Some(grid),
            )?;
            warnings.extend(told);
        }
        found.push(Found {
            plan,
            channels,
            acquisition: acquisition.clone(),
            warnings,
            logic: logic.clone(),
        });
    }
    Ok(found)
}

fn mark_time(uses: &mut [Use], time: TimeCells) {
    let mut mark = |column: usize| {
        if let Some(place) = uses.get_mut(column) {
            *place = Use::Time;
        }
    };
    match time {
        TimeCells::Number { column, .. } => mark(column),
        TimeCells::Moment {
            clock,
            date,
            milliseconds,
        } => {
            mark(clock);
            date.map(&mut mark);
            milliseconds.map(&mut mark);
        }
    }
}

/// Stamps of the first rows.
struct Stamps {
    /// Seconds after the first, with their rounding.
    relative: Vec<f64>,
    resolution_s: f64,
    /// The first as an absolute time, where it is a number of seconds.
    first_s: Option<f64>,
}

fn stamps_of(time: TimeCells, rows: &[Vec<Cell>]) -> Option<Stamps> {
    match time {
        TimeCells::Number { column, factor } => {
            let numbers: Vec<Decimal> = rows
                .iter()
                .map_while(|row| match row.get(column) {
                    Some(Cell::Number(number)) => Some(*number),
                    Some(Cell::Quantity(number, text)) => {
                        unit::time_unit(text).is_some().then_some(*number)
                    }
                    _ => None,
                })
                .collect();
            let factor = match rows.first().and_then(|row| row.get(column)) {
                Some(Cell::Quantity(_, text)) => unit::time_unit(text).unwrap_or(factor),
                _ => factor,
            };
            let first = numbers.first()?;
            let widest = numbers.iter().map(Decimal::width).max().unwrap_or(0);
            let same = numbers
                .iter()
                .all(|n| n.exponent == first.exponent && n.mantissa != super::number::TOO_LONG);
            let resolution = if same {
                super::number::power_of_ten(first.exponent)
            } else {
                let finest = numbers.iter().map(|n| n.exponent).min().unwrap_or(0);
                let widest_rounding = numbers
                    .iter()
                    .map(|n| rounding_of(*n, widest))
                    .fold(0.0, f64::max);
                super::number::power_of_ten(finest).max(widest_rounding)
            };
            let relative = numbers
                .iter()
                .map(|n| {
                    if same && first.exponent < 0 && first.exponent >= -22 {
                        n.mantissa.wrapping_sub(first.mantissa) as f64
                            / super::number::power_of_ten(-first.exponent)
                            * factor
                    } else {
                        (n.value - first.value) * factor
                    }
                })
                .collect();
            Some(Stamps {
                relative,
                resolution_s: resolution * factor,
                first_s: Some(first.value * factor),
            })
        }
        TimeCells::Moment {
            clock,
            date,
            milliseconds,
        } => {
            let mut first = None;
            let (mut wraps, mut last) = (0.0, 0.0);
            let mut relative = Vec::new();
            let mut resolution_s = f64::INFINITY;
            for row in rows {
                let Some(Cell::Clock(moment) | Cell::Stamp(moment)) = row.get(clock) else {
                    break;
                };
                let mut moment = *moment;
                if let Some(Cell::Date(day)) = date.and_then(|date| row.get(date)) {
                    moment.day = Some(*day);
                }
                if let Some(Cell::Number(number)) = milliseconds.and_then(|column| row.get(column))
                {
                    moment.seconds += number.value * 1e-3;
                    moment.resolution = 1e-3;
                }
                resolution_s = resolution_s.min(moment.resolution);
                let first = *first.get_or_insert(moment);
                relative.push(seconds_after(first, moment, &mut wraps, &mut last));
            }
            Some(Stamps {
                relative,
                resolution_s,
                first_s: None,
            })
        }
    }
}

/// The even grid of the first stamps; an error where there is none and nothing else tells the rate.
fn grid_of(
    stamps: &Stamps,
    stated: &Stated,
    options: &LoadOptions,
    first: &Line<'_>,
) -> Result<Option<Grid>, Error> {
    let told = stated.rate_hz.is_some() || options.sample_rate_hz.is_some();
    let grid = Grid::from_stamps(&stamps.relative, stamps.resolution_s);
    match grid {
        Some(grid) if grid.step_s > 0.0 && grid.step_s.is_finite() => Ok(Some(grid)),
        _ if options.sample_rate_hz.is_some() => Ok(None),
        Some(grid) if grid.step_s < 0.0 => Err(Error::new(
            ErrorKind::UnevenSampling,
            "the time runs backwards; sort the rows by time, or give --sample-rate to ignore the time column",
        )
        .at_line(first.number + 1)),
        _ if told => Ok(None),
        None => Err(Error::new(
            ErrorKind::TooShort,
            "one row gives no sample rate; record more samples",
        )
        .at_line(first.number)),
        Some(_) => Err(Error::new(
            ErrorKind::NoSampleRate,
            "the time column does not advance; write it with more digits, or give --sample-rate",
        )
        .at_line(first.number)),
    }
}

type Group = (Option<TimeCells>, Vec<usize>);

/// Parts the signals by the time base they belong to.
fn group_columns(
    columns: &[Column],
    signals: &[usize],
    rows: &[Vec<Cell>],
    layout: &Layout,
) -> Result<Vec<Group>, Error> {
    let stated_unit = layout
        .facts
        .iter()
        .find(|(meaning, _)| *meaning == Meaning::TimeUnit)
        .and_then(|(_, fact)| unit::time_unit(fact.text()));
    let factor_of = |column: &Column| {
        column
            .unit_text()
            .and_then(unit::time_unit)
            .or(stated_unit)
            .unwrap_or_else(|| epoch_factor(column))
    };
    let numeric: Vec<usize> = (0..columns.len())
        .filter(|i| {
            columns[*i].role == Role::Time
                && columns[*i].kind == Kind::Number
                && !is_milliseconds(columns, *i)
        })
        .collect();
    let clock = columns
        .iter()
        .position(|c| c.role == Role::Time && matches!(c.kind, Kind::Stamp | Kind::Clock));
    let date = columns
        .iter()
        .position(|c| c.role == Role::Time && c.kind == Kind::Date);
    let milliseconds = (0..columns.len()).find(|i| is_milliseconds(columns, *i));
    let number = |column: usize| TimeCells::Number {
        column,
        factor: factor_of(&columns[column]),
    };
    match numeric.as_slice() {
        [] => {
            let time = clock.map(|clock| TimeCells::Moment {
                clock,
                date: date.filter(|_| columns[clock].kind == Kind::Clock),
                milliseconds,
            });
            Ok(vec![(time, signals.to_vec())])
        }
        [only] => Ok(vec![(Some(number(*only)), signals.to_vec())]),
        several => {
            // Each signal belongs to the nearest time column to its left; equal time columns are one.
            let mut groups: Vec<(usize, Vec<usize>)> = Vec::new();
            for signal in signals {
                let own = several
                    .iter()
                    .rev()
                    .find(|time| *time < signal)
                    .or(several.first())
                    .copied()
                    .unwrap_or(0);
                let same = groups
                    .iter_mut()
                    .find(|(time, _)| same_times(*time, own, rows, &columns[*time], &columns[own]));
                match same {
                    Some((_, members)) => members.push(*signal),
                    None => groups.push((own, vec![*signal])),
                }
            }
            Ok(groups
                .into_iter()
                .map(|(time, members)| (Some(number(time)), members))
                .collect())
        }
    }
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
        let values: Vec<f64> = column.present().map(|n| n.value).collect();
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
    match first.value {
        v if v > 1e17 => 1e-9,
        v if v > 1e14 => 1e-6,
        v if v > 1e11 => 1e-3,
        _ => 1.0,
    }
}

/// Names from the header; 1-based numbers where there are none; twins numbered.
fn channel_names(columns: &[Column], signals: &[usize]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for (order, column) in signals.iter().enumerate() {
        let title = &columns[*column].title;
        let mut name = if title.name.is_empty() {
            (order + 1).to_string()
        } else {
            title.name.clone()
        };
        if names.contains(&name) {
            let plain = name.clone();
            let mut twin = 2;
            while names.contains(&name) {
                name = format!("{plain} ({twin})");
                twin += 1;
            }
        }
        names.push(name);
    }
    names
}

struct Scaling {
    reference: f64,
    factor: f64,
    offset: f64,
    unit: String,
}

/// Unit and scale of a column.
fn scaling_of(
    layout: &Layout,
    column: usize,
    order: usize,
    channels: usize,
    options: &LoadOptions,
) -> Scaling {
    let mark = layout.dialect.decimal_mark;
    let info = &layout.columns[column];
    let stated_unit = layout
        .facts
        .iter()
        .find(|(meaning, _)| *meaning == Meaning::ValueUnit)
        .and_then(|(_, fact)| {
            let texts: Vec<&String> = fact.values.iter().filter(|v| !v.is_empty()).collect();
            fact.values
                .get(column.wrapping_sub(1))
                .filter(|v| !v.is_empty() && texts.len() >= channels && texts.len() > 1)
                .or_else(|| {
                    if texts.len() == channels {
                        texts.get(order).copied()
                    } else {
                        texts.first().copied()
                    }
                })
                .cloned()
        });
    let written = info.unit_text().map(String::from).or(stated_unit);
    let known: Option<Unit> = written.as_deref().and_then(unit::value_unit);
    let counts = written.as_deref().is_some_and(unit::is_count_unit);
    let plain = |unit: &Option<Unit>| Scaling {
        reference: 0.0,
        factor: unit.as_ref().map_or(1.0, |u| u.factor),
        offset: 0.0,
        unit: unit.as_ref().map_or_else(String::new, |u| u.name.clone()),
    };
    let value_of = |wanted: Meaning| {
        layout
            .facts
            .iter()
            .filter(|(meaning, _)| *meaning == wanted)
            .find_map(|(_, fact)| {
                let numbers = fact.numbers(mark);
                value_for(&numbers, column, order, channels)
                    .cloned()
                    .map(|value| (value, fact))
            })
    };
    if (counts || written.is_none() || info.title.unit.is_none())
        && (counts || info.is_integer())
        && let Some(scaling) = count_scaling(value_of, known.as_ref())
    {
        return scaling;
    }
    if known.is_some() {
        return plain(&known);
    }
    match written {
        Some(text) => Scaling {
            reference: 0.0,
            factor: 1.0,
            offset: 0.0,
            unit: text.trim_matches(['(', ')', '[', ']']).to_string(),
        },
        None => {
            let fallback = options.unit.clone().unwrap_or_else(|| "V".into());
            match unit::value_unit(&fallback) {
                Some(unit) => plain(&Some(unit)),
                None => Scaling {
                    reference: 0.0,
                    factor: 1.0,
                    offset: 0.0,
                    unit: fallback,
                },
            }
        }
    }
}

/// Converter counts to volts: `(count - reference) * scale + offset`.
fn count_scaling<'a>(
    value_of: impl Fn(Meaning) -> Option<(Value, &'a Fact)>,
    known: Option<&Unit>,
) -> Option<Scaling> {
    let (scale, fact) = value_of(Meaning::CountScale)?;
    let per_unit = |text: &str| {
        let text = text.trim_matches(['(', ')', '[', ']', ' ']);
        let (above, below) = text
            .split_once('/')
            .or_else(|| text.split_once(" per "))
            .unwrap_or((text, "count"));
        if unit::value_unit(above).is_some()
            && (unit::is_count_unit(below) || below.trim() == "adc")
        {
            unit::value_unit(above).map(|unit| (unit, false))
        } else if unit::is_count_unit(above) {
            unit::value_unit(below).map(|unit| (unit, true))
        } else {
            None
        }
    };
    let unit_text = scale.unit.clone().unwrap_or_default();
    if unit_text.to_lowercase().contains("div") || fact.key.to_lowercase().contains("div") {
        return None;
    }
    let (target, inverse) = per_unit(&unit_text)
        .or_else(|| per_unit(&fact.key))
        .or_else(|| known.map(|unit| (unit.clone(), false)))
        .unwrap_or((
            Unit {
                name: "V".into(),
                factor: 1.0,
            },
            false,
        ));
    if scale.number == 0.0 || !scale.number.is_finite() {
        return None;
    }
    let factor = if inverse {
        target.factor / scale.number
    } else {
        target.factor * scale.number
    };
    let mut reference = value_of(Meaning::CountReference).map_or(0.0, |(value, _)| value.number);
    let mut offset = 0.0;
    if let Some((value, _)) = value_of(Meaning::Offset) {
        match value.unit.as_deref() {
            Some(text) if unit::is_count_unit(text) => reference += value.number,
            Some(text) => {
                offset =
                    value.number * unit::value_unit(text).map_or(target.factor, |unit| unit.factor);
            }
            None => offset = value.number * target.factor,
        }
    }
    Some(Scaling {
        reference,
        factor,
        offset,
        unit: target.name,
    })
}

/// Range, coupling and probe from the preamble and the options.
fn acquisition_of(
    layout: &Layout,
    signals: &[usize],
    options: &LoadOptions,
) -> (Acquisition, Vec<Warning>) {
    let mark = layout.dialect.decimal_mark;
    let mut acquisition = Acquisition::default();
    let mut warnings = Vec::new();
    let mut couplings: Vec<Coupling> = Vec::new();
    for (meaning, fact) in &layout.facts {
        match meaning {
            Meaning::Coupling => {
                couplings.extend(fact.values.iter().filter_map(|v| preamble::coupling(v)));
            }
            Meaning::ProbeFactor => {
                acquisition.probe_factor = acquisition
                    .probe_factor
                    .or_else(|| preamble::probe_factor(fact.text()));
            }
            Meaning::FullScale => {
                let numbers = fact.numbers(mark);
                let ranges: Vec<f64> = numbers.iter().map(|v| v.number.abs()).collect();
                let differ = ranges.windows(2).any(|pair| pair[0] != pair[1]);
                if let Some((range, unit)) =
                    preamble::range(&fact.key, &numbers, &fact.values.join(" "))
                    && !(differ && signals.len() > 1)
                {
                    let factor = unit
                        .as_deref()
                        .and_then(unit::value_unit)
                        .map_or(1.0, |unit| unit.factor);
                    acquisition.full_scale_v = acquisition
                        .full_scale_v
                        .or(Some(range * factor * options.scale.abs()));
                }
            }
            _ => {}
        }
    }
    // A rate key of two letters with volts behind it is a range.
    if let Some(first) = couplings.first() {
        let mixed = couplings.iter().any(|coupling| coupling != first);
        acquisition.coupling = Some(if mixed { Coupling::Ac } else { *first });
        if mixed {
            warnings.push(Warning::new(
                WarningCode::CouplingMismatch,
                "the preamble gives AC coupling for some channels and DC for others; all are treated as AC: analyse them apart with --coupling",
            ));
        }
    }
    if let Some(full_scale) = options.full_scale_v {
        acquisition.full_scale_v = Some(full_scale * options.scale.abs());
    }
    if let Some(coupling) = options.coupling {
        acquisition.coupling = Some(coupling);
        warnings.clear();
    }
    (acquisition, warnings)
}

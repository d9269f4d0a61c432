//! The rows between preamble and data: names and units.

use crate::Error;
use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::quantity::number_and_unit;
use crate::load::preamble::setting;
use crate::load::shown::no_number;
use crate::load::table::kinds::Kind;
use crate::load::text::dialect::{Delimiter, Dialect, filled};
use crate::load::text::head::Line;
use crate::load::unit;
use crate::load::value::cell::{self, Cell};
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::Title;
use std::borrow::Cow;

/// What the rows in front of the data say of the columns.
#[derive(Debug)]
pub(crate) struct Header {
    pub titles: Vec<Title>,
    /// Line of the names.
    pub line: Option<u64>,
    /// Line of the units, where they have one of their own.
    pub units_line: Option<u64>,
    /// Statements among the names.
    pub facts: Vec<Fact>,
}

/// Rows in front of the data that are looked at.
const ROWS_MOST: usize = 4;

/// A row of cells with its line.
type Row = (u64, Vec<String>);

/// The rows of names and of units, found from the data upwards.
#[derive(Debug, Default)]
struct HeaderRows {
    names: Option<Row>,
    units: Option<Row>,
    /// Some columns are named in a row further up.
    incomplete: bool,
}

impl Header {
    /// Names and units from the rows in front of the data.
    pub fn of(
        lines: &[Line<'_>],
        first_row: usize,
        dialect: Dialect,
        kinds: &[Kind],
    ) -> Result<Self, Error> {
        let width = kinds.len();
        let HeaderRows { names, units, .. } = HeaderRows::of(&lines[..first_row], dialect, kinds)?;
        let mut header = Self {
            titles: vec![Title::default(); width],
            line: names.as_ref().or(units.as_ref()).map(|(line, _)| *line),
            units_line: None,
            facts: Vec::new(),
        };
        let Some((line, names)) = names.as_ref().or(units.as_ref()) else {
            return Ok(header);
        };
        for (title, name) in header.titles.iter_mut().zip(names) {
            *title = Title::of(name);
        }
        if header.line == units.as_ref().map(|(line, _)| *line) {
            return Ok(header);
        }
        if let Some((line, units)) = &units {
            header.units_line = Some(*line);
            for (title, unit) in header.titles.iter_mut().zip(units) {
                if unit::is_unit(unit) {
                    title.unit = Some(unit.clone());
                }
            }
        }
        let below = &lines[first_row..];
        values_under_names(names, units.as_ref(), below, dialect, &mut header.facts);
        for name in names.iter().filter(|name| name.contains(['=', ':'])) {
            fact::facts_of_cells(&[Cow::Borrowed(name.as_str())], *line, &mut header.facts);
        }
        Ok(header)
    }
}

impl HeaderRows {
    fn of(above: &[Line<'_>], dialect: Dialect, kinds: &[Kind]) -> Result<Self, Error> {
        let width = kinds.len();
        let mut rows = Self::default();
        let mut looked = 0;
        for line in above.iter().rev() {
            let text = match dialect.delimiter {
                // A leading delimiter stands for an empty cell.
                Delimiter::Byte(b'\t') => line.text.trim_matches([' ', '\r', '\u{feff}']),
                _ => line.text.trim(),
            };
            let section = text.starts_with('<') && text.ends_with('>')
                || text.starts_with('[') && text.ends_with(']') && !unit::is_unit(text);
            if section || text.chars().all(|c| !c.is_alphanumeric()) {
                continue;
            }
            looked += 1;
            if looked > ROWS_MOST {
                break;
            }
            let Some(row) = header_cells(text, dialect, width) else {
                if rows.units.is_some() {
                    break;
                }
                continue;
            };
            if looked == 1 {
                refuse_faulty_row(&row, line.number, dialect, kinds)?;
            }
            if is_statement(&row, width) || states_something(text, line.number, dialect, width) {
                if rows.units.is_some() || looked > 1 {
                    break;
                }
                continue;
            }
            if rows.take((line.number, row), dialect, width) {
                break;
            }
        }
        Ok(rows)
    }

    /// Takes a row that stands above those taken so far; `true` where no other can belong to them.
    fn take(&mut self, row: Row, dialect: Dialect, width: usize) -> bool {
        let named: Vec<&String> = row.1.iter().filter(|cell| !cell.is_empty()).collect();
        let are_units = is_units_row(&named, dialect);
        let named = named
            .iter()
            .any(|cell| cell.chars().any(char::is_alphabetic) || cell.as_str() == "#");
        match &mut self.names {
            None if are_units && self.units.is_none() => {
                self.units = Some(row);
                false
            }
            _ if !named => false,
            Some((_, names)) if completes(&row.1, names, dialect) => {
                for (name, above) in names.iter_mut().zip(&row.1) {
                    *name = format!("{above} {name}").trim().to_string();
                }
                true
            }
            Some(_) if are_units && self.units.is_none() => {
                self.units = Some(row);
                false
            }
            Some(_) if self.units.is_none() || self.incomplete => true,
            // Names, units, notes: of three rows the first holds the names.
            Some((_, notes)) if names_a_base(notes) && !names_a_base(&row.1) => true,
            _ => {
                let done = self.units.is_some();
                self.incomplete = done && row.1.iter().take(width).any(String::is_empty);
                self.names = Some(row);
                done && !self.incomplete
            }
        }
    }
}

/// Refuses a row that starts with a number where numbers stand: it is data with a fault, not a header.
fn refuse_faulty_row(
    row: &[String],
    line: u64,
    dialect: Dialect,
    kinds: &[Kind],
) -> Result<(), Error> {
    let opens = kinds[0] == Kind::Number
        && row
            .first()
            .is_some_and(|cell| matches!(dialect.classify(cell), Cell::Number(_)));
    let faulty = |column: &usize| {
        let cell = row.get(*column);
        kinds[*column] == Kind::Number
            && cell.is_some_and(|text| dialect.classify(text) == Cell::Text)
    };
    let Some(column) = (1..kinds.len()).filter(|_| opens).find(faulty) else {
        return Ok(());
    };
    Err(no_number(&row[column], line, column))
}

/// Whether a row of words names the time base or the index that the names below leave blank.
fn completes(above: &[String], names: &[String], dialect: Dialect) -> bool {
    let words = |cell: &String| cell.is_empty() || dialect.classify(cell) == Cell::Text;
    let blank: Vec<String> = above
        .iter()
        .zip(names)
        .filter(|(_, name)| name.is_empty())
        .map(|(above, _)| above.clone())
        .collect();
    above.iter().all(words) && names_a_base(&blank)
}

/// Whether a name of a row says that its column is a time base or an index.
fn names_a_base(names: &[String]) -> bool {
    names.iter().any(|name| {
        let title = Title::of(name);
        title.says_time() || title.says_index()
    })
}

/// Whether a row holds units only; beside numbers (`Sequence,Volt,-0.5,0.001`) also words for an index.
fn is_units_row(named: &[&String], dialect: Dialect) -> bool {
    let number = |cell: &str| dialect.classify(cell).is_datum();
    let numbers = named.iter().any(|cell| number(cell));
    named.iter().any(|cell| unit::is_unit(cell))
        && named.iter().all(|cell| {
            let title = Title {
                name: cell.to_string(),
                unit: None,
                loose_unit: false,
            };
            unit::is_unit(cell)
                || number(cell)
                || numbers && (title.says_index() || title.says_time())
        })
}

/// A row like `X,CH1,Start,Increment` over `s,V,-0.5,0.001`: the numbers belong to the names above.
fn values_under_names(
    names: &[String],
    units: Option<&Row>,
    below: &[Line<'_>],
    dialect: Dialect,
    facts: &mut Vec<Fact>,
) {
    let (line, values) = match units {
        Some((line, units)) => (*line, units.clone()),
        None => {
            let Some(first) = below.first() else { return };
            (first.number, bare_cells(dialect.cells(&first.text)))
        }
    };
    for (name, value) in names.iter().zip(values) {
        let declares = matches!(
            Meaning::of(name),
            Some(Meaning::StartTime | Meaning::SampleInterval | Meaning::SampleRate)
        );
        if declares && number_and_unit(&value, dialect.decimal_mark).is_some() {
            facts.push(Fact::new(name, vec![value], line));
        }
    }
}

fn bare_cells<'a>(cells: impl IntoIterator<Item = Cow<'a, str>>) -> Vec<String> {
    let cells = cells.into_iter();
    cells.map(|cell| cell::bare(&cell).to_string()).collect()
}

/// The cells of a row in front of the data, where there can be one a column.
fn header_cells(text: &str, dialect: Dialect, width: usize) -> Option<Vec<String>> {
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
            .then(|| bare_cells(cells)),
        Delimiter::Byte(_) if count == 1 => Some(bare_cells(cells.drain(..1))),
        Delimiter::Byte(_) => Some(vec![cell::bare(stripped).to_string()]),
        Delimiter::Blanks => {
            if count == width {
                return Some(bare_cells(cells));
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

/// Keys that describe the capture and name no column.
const DESCRIPTIVE: &str = "\
    model, serial, serial number, firmware, firmware version, version, instrument, operator, comment, \
    comments, title, file, filename, file name, author, device, manufacturer, vendor, description, name, \
    project, location, user, note, notes, source file, format, type, mode, software, created, exported, \
    saved, logger, test, trigger, trigger source, acquisition, acquisition mode, channels";

/// Whether a line of a table of one column, or of one parted by blanks, is a statement.
fn states_something(text: &str, number: u64, dialect: Dialect, width: usize) -> bool {
    if width > 1 && dialect.delimiter != Delimiter::Blanks {
        return false;
    }
    let mut facts = Vec::new();
    fact::facts_of(text, number, dialect, &mut facts);
    facts.iter().any(|fact| {
        let value = fact.text();
        let known = Meaning::of_key_alone(&fact.key);
        known.is_some() && number_and_unit(value, dialect.decimal_mark).is_some()
            || width == 1 && (!unit::is_unit(value) || known == Some(Meaning::ValueUnit))
    })
}

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
            || Meaning::of_key_alone(first).is_some()
            || unit::is_among(&first.to_lowercase(), DESCRIPTIVE);
    }
    if unit::is_among(
        &first.trim_end_matches([':', ' ']).to_lowercase(),
        DESCRIPTIVE,
    ) {
        return !row.iter().skip(1).any(|cell| {
            let title = Title::of(cell);
            title.says_time() || title.unit.is_some_and(|unit| unit != title.name)
        });
    }
    if first.ends_with(':') || first.ends_with('=') {
        return true;
    }
    let value_like = number_and_unit(second, b'.').is_some()
        || setting::coupling(second).is_some()
        || second.is_empty();
    if first.contains('=') || first.contains(": ") {
        return true;
    }
    let title = Title::of(first);
    let says = title.says_time() || title.says_index();
    if matches!(
        Meaning::of_key_alone(first),
        Some(Meaning::StartTime | Meaning::SampleInterval | Meaning::Points)
    ) && !value_like
    {
        return false;
    }
    Meaning::of_key_alone(first).is_some() && (!says || value_like)
        || second.is_empty() && row.iter().skip(2).all(String::is_empty) && !says
        || (value_like
            && !second.is_empty()
            && !says
            && row
                .iter()
                .skip(1)
                .filter(|c| !c.is_empty())
                .all(|c| number_and_unit(c, b'.').is_some())
            && width == 2)
}

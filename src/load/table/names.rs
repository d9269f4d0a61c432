//! The rows between preamble and data: names and units.

use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::quantity::number_and_unit;
use crate::load::preamble::setting;
use crate::load::shown::shown;
use crate::load::table::kinds::Kind;
use crate::load::text::dialect::{Delimiter, Dialect, filled};
use crate::load::text::head::Line;
use crate::load::value::cell::{self, Cell};
use crate::load::value::unit;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::Title;
use crate::{Error, ErrorKind};
use std::borrow::Cow;

/// Titles of the columns, line of the names, line of the units.
type Header = (Vec<Title>, Option<u64>, Option<u64>);

/// Names and units from the rows in front of the data.
pub(crate) fn read_header(
    lines: &[Line<'_>],
    first_row: usize,
    dialect: Dialect,
    kinds: &[Kind],
    facts: &mut Vec<Fact>,
) -> Result<Header, Error> {
    let width = kinds.len();
    let mut titles = vec![Title::default(); width];
    let mut header: Option<(u64, Vec<String>)> = None;
    let mut units: Option<(u64, Vec<String>)> = None;
    // Some columns are named in a row further up.
    let mut incomplete = false;
    let mut looked = 0;
    for line in lines[..first_row].iter().rev() {
        let text = match dialect.delimiter {
            // A leading delimiter stands for an empty cell.
            Delimiter::Byte(b'\t') => line.text.trim_matches([' ', '\r', '\u{feff}']),
            _ => line.text.trim(),
        };
        let section = text.starts_with('<') && text.ends_with('>')
            || text.starts_with('[') && text.ends_with(']') && !unit::is_unit(text);
        if text.is_empty() || section || text.chars().all(|c| !c.is_alphanumeric()) {
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
        // A row that starts with a number where numbers stand is data with a fault, not a header.
        if width > 1
            && kinds[0] == Kind::Number
            && looked == 1
            && matches!(dialect.classify(&row[0]), Cell::Number(_))
            && let Some(column) = (1..width).find(|column| {
                kinds[*column] == Kind::Number
                    && row
                        .get(*column)
                        .is_some_and(|text| dialect.classify(text) == Cell::Text)
            })
        {
            return Err(Error::new(
                ErrorKind::BadValue,
                format!(
                    "found '{}' where a number should stand; mend the cell or leave it blank",
                    shown(row[column].trim())
                ),
            )
            .at_line(line.number)
            .at_column(column as u64 + 1));
        }
        let named: Vec<&String> = row.iter().filter(|cell| !cell.is_empty()).collect();
        let all_units = is_units_row(&named, dialect);
        let statement =
            is_statement(&row, width) || states_something(text, line.number, dialect, width);
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
        match &mut header {
            Some((_, names)) if completes(&row, names, dialect) => {
                for (name, above) in names.iter_mut().zip(&row) {
                    *name = format!("{above} {name}").trim().to_string();
                }
                break;
            }
            Some(_) if all_units && units.is_none() => units = Some((line.number, row)),
            Some(_) if units.is_none() || incomplete => break,
            // Names, units, notes: of three rows the first holds the names.
            Some((_, notes)) if names_a_base(notes) && !names_a_base(&row) => break,
            _ => {
                let done = units.is_some();
                incomplete = done && row.iter().take(width).any(String::is_empty);
                header = Some((line.number, row));
                if done && !incomplete {
                    break;
                }
            }
        }
    }
    let mut header_line = header.as_ref().map(|(line, _)| *line);
    let mut units_line = units.as_ref().map(|(line, _)| *line);
    match (&header, &units) {
        (Some((line, names)), units) => {
            for (index, name) in names.iter().enumerate().take(width) {
                titles[index] = Title::of(name);
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
                    fact::facts_of_cells(&cell, *line, facts);
                }
            }
        }
        (None, Some((line, names))) => {
            for (index, name) in names.iter().enumerate().take(width) {
                titles[index] = Title::of(name);
            }
            header_line = Some(*line);
            units_line = None;
        }
        (None, None) => {}
    }
    Ok((titles, header_line, units_line))
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
pub(crate) fn is_units_row(named: &[&String], dialect: Dialect) -> bool {
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
pub(crate) fn values_under_names(
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
            let meant = Meaning::of(name);
            if !matches!(
                meant,
                Some(Meaning::StartTime | Meaning::SampleInterval | Meaning::SampleRate)
            ) {
                continue;
            }
            if let Some(value) = row
                .get(index)
                .filter(|value| number_and_unit(value, dialect.decimal_mark).is_some())
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
pub(crate) fn header_cells(text: &str, dialect: Dialect, width: usize) -> Option<Vec<String>> {
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
        Delimiter::Byte(_) if count == 1 => Some(bare_cells(&cells[..1])),
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
pub(crate) fn split_wide(text: &str) -> Vec<String> {
    text.replace('\t', "  ")
        .split("  ")
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(String::from)
        .collect()
}

pub(crate) const DESCRIPTIVE: [&str; 40] = [
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

/// Whether a line of a table of one column, or of one parted by blanks, is a statement.
pub(crate) fn states_something(text: &str, number: u64, dialect: Dialect, width: usize) -> bool {
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
pub(crate) fn is_statement(row: &[String], width: usize) -> bool {
    let first = row.first().map_or("", String::as_str);
    let second = row.get(1).map_or("", String::as_str);
    if width == 1 {
        return first.contains(':')
            && first
                .split_once(':')
                .is_some_and(|(_, v)| !v.trim().is_empty())
            || first.contains('=')
            || Meaning::of_key_alone(first).is_some()
            || DESCRIPTIVE.contains(&first.to_lowercase().as_str());
    }
    if DESCRIPTIVE.contains(&first.trim_end_matches([':', ' ']).to_lowercase().as_str()) {
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

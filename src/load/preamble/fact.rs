//! StatedRates in front of the data: keys with their values.

use crate::load::preamble::quantity::{Value, number_and_unit};
use crate::load::text::dialect::{Delimiter, Dialect, filled};
use crate::load::unit;
use crate::load::value::cell;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::Title;
use std::borrow::Cow;

/// A statement of the preamble as it is written.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fact {
    /// The key's text.
    pub key: String,
    /// The cells after it.
    pub values: Vec<String>,
    /// Its 1-based line.
    pub line: u64,
}

impl Fact {
    pub fn new(key: &str, values: Vec<String>, line: u64) -> Self {
        let key = key.to_string();
        Self { key, values, line }
    }

    /// The numbers of the statement with their units.
    pub fn numbers(&self, decimal_mark: u8) -> Vec<Value> {
        let mut key_unit = self.key_unit();
        let mut values: Vec<Value> = Vec::new();
        for (position, cell) in self.values.iter().enumerate() {
            if let Some((number, unit)) = number_and_unit(cell, decimal_mark) {
                values.push(Value {
                    position,
                    number,
                    unit,
                });
            } else if let Some(last) = values.last_mut()
                && last.unit.is_none()
                && last.position + 1 == position
                && !cell.trim().is_empty()
            {
                last.unit = Some(cell.trim().to_string());
            } else if values.is_empty() && unit::is_unit(cell) {
                key_unit = Some(cell.clone());
            }
        }
        for value in &mut values {
            if value.unit.is_none() {
                value.unit.clone_from(&key_unit);
            }
        }
        values
    }

    /// The unit that the key names: `Interval (ms)`; none in `Samples per second`.
    fn key_unit(&self) -> Option<String> {
        let bracketed = self.key.find(['(', '[']).map(|open| {
            self.key[open..]
                .trim_matches(['(', ')', '[', ']', ' '])
                .to_string()
        });
        let per = self.key.to_lowercase().contains("per ");
        bracketed.or_else(|| Title::of(&self.key).unit.filter(|_| !per))
    }

    /// What the statement means: by its key, or by a unit per converter count.
    pub fn meaning(&self, decimal_mark: u8) -> Option<Meaning> {
        let meaning = Meaning::of(&self.key);
        if meaning == Some(Meaning::ValueUnit) && unit::time_unit(self.text()).is_some() {
            return Some(Meaning::TimeUnit);
        }
        meaning.or_else(|| {
            let unit = number_and_unit(self.text(), decimal_mark)?.1?;
            let (above, below) = unit.split_once('/').or_else(|| unit.split_once(" per "))?;
            let below = below.trim().trim_end_matches('s');
            if unit::value_unit(above).is_some() && unit::is_count_unit(below) {
                Some(Meaning::CountScale)
            } else if unit::time_unit(above).is_some()
                && ["sample", "point", "pt", "reading", "frame"].contains(&below)
            {
                Some(Meaning::SampleInterval)
            } else {
                None
            }
        })
    }

    /// The first text of the statement.
    pub fn text(&self) -> &str {
        self.values
            .iter()
            .map(String::as_str)
            .find(|value| !value.is_empty())
            .unwrap_or("")
    }
}

/// The first statement of a meaning.
pub(crate) fn stated(facts: &[(Meaning, Fact)], wanted: Meaning) -> Option<&Fact> {
    let mut facts = facts.iter();
    facts
        .find(|(meaning, _)| *meaning == wanted)
        .map(|(_, fact)| fact)
}

/// Takes the marks of a comment off the front of a line.
pub(crate) fn uncommented(line: &str) -> &str {
    let mut text = line.trim();
    if text.starts_with(['#', '%', ';', '!', '*', '/', '>', '\'']) || text.starts_with("--") {
        text = text
            .trim_start_matches(['#', '%', ';', '!', '*', '/', '>', '\'', '-'])
            .trim();
    }
    text
}

/// Takes brackets off that stand around a whole cell.
fn unbracketed(cell: &str) -> &str {
    [('[', ']'), ('{', '}')]
        .iter()
        .find_map(|(open, close)| cell.strip_prefix(*open)?.strip_suffix(*close))
        .unwrap_or(cell)
        .trim()
}

/// The statements of one line.
pub(crate) fn facts_of(line: &str, number: u64, dialect: Dialect, facts: &mut Vec<Fact>) {
    let text = unbracketed(uncommented(line));
    if text.is_empty() || text.len() > 1 << 14 {
        return;
    }
    if let Some((key, value)) = text.split_once("...") {
        // Dots lead from the key to its value.
        let value = value.trim_start_matches(['.', ':', ' ']).to_string();
        facts.push(Fact::new(key.trim(), vec![value], number));
        return;
    }
    let tokens = || text.split_whitespace();
    if tokens().count() > 1
        && tokens().all(|token| token.split('=').filter(|p| !p.is_empty()).count() == 2)
    {
        for token in tokens() {
            facts_of_cells(&[Cow::Borrowed(token)], number, facts);
        }
        return;
    }
    facts_of_cells(&parts_of(text, dialect), number, facts);
}

/// The cells of a line of statements. Where the table's own delimiter parts nothing, or words as well, the
/// other marks decide.
fn parts_of(text: &str, dialect: Dialect) -> Vec<Cow<'_, str>> {
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    dialect.split(text, &mut cells);
    if dialect.delimiter != Delimiter::Blanks && filled(&cells) > 1 {
        return cells;
    }
    let commas_part = text.contains('"')
        || text.matches(',').count() == text.matches(", ").count()
        || !text.contains([':', '=']);
    let delimiter = match () {
        () if text.contains('\t') => b'\t',
        () if text.contains(';') => b';',
        () if commas_part => b',',
        () => return vec![Cow::Borrowed(text)],
    };
    let other = Dialect {
        delimiter: Delimiter::Byte(delimiter),
        ..dialect
    };
    other.split(text, &mut cells);
    cells
}

/// The statements of a row of cells.
pub(crate) fn facts_of_cells(cells: &[Cow<'_, str>], number: u64, facts: &mut Vec<Fact>) {
    let cells: Vec<&str> = cells
        .iter()
        .map(|cell| unbracketed(cell::bare(cell)))
        .collect();
    let mut at = 0;
    while at < cells.len() {
        let text = uncommented(cells[at]);
        if text.is_empty() {
            at += 1;
            continue;
        }
        if let Some((key, value)) = key_and_value(text) {
            let mut values = vec![value.to_string()];
            let next = cells.get(at + 1).copied().unwrap_or("");
            if unit::is_unit(next) {
                values.push(next.to_string());
                at += 1;
            }
            facts.push(Fact::new(key, values, number));
            at += 1;
            continue;
        }
        let key = text.trim_end_matches([':', '=', ' ']);
        let until = (at + 1..cells.len())
            .find(|next| {
                let text = uncommented(cells[*next]);
                key_and_value(text).is_some()
                    || (Meaning::of(text).is_some()
                        && !unit::is_unit(text)
                        && cells.get(next + 1).is_some_and(|cell| !cell.is_empty()))
            })
            .unwrap_or(cells.len());
        let values: Vec<String> = cells[at + 1..until]
            .iter()
            .map(|cell| cell.trim_start_matches([':', '=']).trim().to_string())
            .collect();
        if values.iter().any(|value| !value.is_empty()) && key.chars().any(char::is_alphabetic) {
            facts.push(Fact::new(key, values, number));
        } else if let Some((key, value)) = words_and_number(text) {
            facts.push(Fact::new(&key, vec![value], number));
        }
        at = until;
    }
}

/// The statements of a row of keys over a row of their values.
pub(crate) fn facts_of_rows(
    keys: &str,
    values: &str,
    number: u64,
    dialect: Dialect,
    facts: &mut Vec<Fact>,
) {
    let above = parts_of(uncommented(keys), dialect);
    let below = parts_of(uncommented(values), dialect);
    let known = |cell: &Cow<'_, str>| Meaning::of_key_alone(cell::bare(cell)).is_some();
    let (keys, values) = (filled(&above), filled(&below));
    let sound = keys > 1
        && keys == values
        && above[..keys].iter().all(|cell| !cell.contains([':', '=']))
        && above[..keys].iter().filter(|cell| known(cell)).count() * 2 > keys
        && !below[..values].iter().any(known);
    if sound {
        for (key, value) in above[..keys].iter().zip(&below) {
            let values = vec![cell::bare(value).to_string()];
            facts.push(Fact::new(cell::bare(key), values, number));
        }
    }
}

/// `key: value` or `key = value` in one cell.
fn key_and_value(text: &str) -> Option<(&str, &str)> {
    let at = text.find([':', '='])?;
    let (key, value) = (
        cell::bare(&text[..at]),
        cell::bare(text[at + 1..].trim_start_matches([':', '='])),
    );
    let sound = !value.is_empty()
        && key.chars().count() <= 64
        && key.chars().next().is_some_and(char::is_alphabetic);
    sound.then_some((key, value))
}

/// `Sample Rate 8000`: words, then a number with its unit.
fn words_and_number(text: &str) -> Option<(String, String)> {
    let tokens: Vec<&str> = text.split_whitespace().collect();
    let first = tokens.iter().position(|token| {
        token
            .trim_start_matches(['+', '-', '\u{b1}'])
            .starts_with(|c: char| c.is_ascii_digit())
    })?;
    (first > 0).then(|| (tokens[..first].join(" "), tokens[first..].join(" ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line, and the names and values that it states.
    type Case<'a> = (&'a str, &'a [(&'a str, &'a [&'a str])]);

    #[test]
    fn statements_in_every_style() {
        let cases: [Case<'_>; 8] = [
            ("Sample Rate,1000", &[("Sample Rate", &["1000"])]),
            ("# Sample Rate: 10 kHz", &[("Sample Rate", &["10 kHz"])]),
            ("dt=0.001", &[("dt", &["0.001"])]),
            (
                "\"Sample Interval\",\"1E-6\",\"s\"",
                &[("Sample Interval", &["1E-6", "s"])],
            ),
            ("; Sample Rate 8000", &[("Sample Rate", &["8000"])]),
            (
                "Rate: 10 kHz, Range: 5 V",
                &[("Rate", &["10 kHz"]), ("Range", &["5 V"])],
            ),
            ("Coupling,DC,AC", &[("Coupling", &["DC", "AC"])]),
            (
                "Sample Rate,1000,Points,500",
                &[("Sample Rate", &["1000"]), ("Points", &["500"])],
            ),
        ];
        for (line, expected) in cases {
            let mut facts = Vec::new();
            let dialect = Dialect::plain(Delimiter::Byte(b','), b'.');
            facts_of(line, 1, dialect, &mut facts);
            assert_eq!(facts.len(), expected.len(), "{line}: {facts:?}");
            for (fact, (key, values)) in facts.iter().zip(expected) {
                assert_eq!(fact.key, *key);
                assert_eq!(fact.values, *values, "{line}");
            }
        }
    }
}

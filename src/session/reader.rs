//! Reading TOML tables with every mistake told: its line, its key and what would be understood.

use crate::{Error, ErrorKind, si};
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Mistakes found in a file, with byte offsets turned into lines.
#[derive(Debug)]
pub(super) struct Mistakes<'t> {
    text: &'t str,
    file: &'t Path,
    found: Vec<Error>,
}

impl<'t> Mistakes<'t> {
    pub(super) fn new(text: &'t str, file: &'t Path) -> Self {
        Self {
            text,
            file,
            found: Vec::new(),
        }
    }

    pub(super) fn add(&mut self, offset: usize, message: impl Into<String>) {
        let before = self.text.as_bytes().iter().take(offset);
        let line = 1 + before.filter(|byte| **byte == b'\n').count() as u64;
        self.found.push(
            Error::new(ErrorKind::BadValue, message)
                .in_file(self.file)
                .at_line(line),
        );
    }

    /// The mistakes by rising line.
    pub(super) fn into_errors(mut self) -> Vec<Error> {
        self.found.sort_by_key(Error::line);
        self.found
    }
}

/// One table being read; keys that nobody asked for are mistakes.
pub(super) struct TableReader<'a, 'i> {
    table: &'a DeTable<'i>,
    name: String,
    offset: usize,
    known: Vec<&'static str>,
}

impl<'a, 'i> TableReader<'a, 'i> {
    pub(super) fn new(table: &'a DeTable<'i>, name: impl Into<String>, offset: usize) -> Self {
        Self {
            table,
            name: name.into(),
            offset,
            known: Vec::new(),
        }
    }

    /// Byte offset of a key, or of the table where the key is absent.
    pub(super) fn offset_of(&self, key: &str) -> usize {
        self.table
            .iter()
            .find(|(found, _)| found.get_ref() == key)
            .map_or(self.offset, |(found, _)| found.span().start)
    }

    /// The full name of a key.
    pub(super) fn path(&self, key: &str) -> String {
        if self.name.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.name)
        }
    }

    /// Whether the table holds the key.
    pub(super) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    fn get(&mut self, key: &'static str) -> Option<&'a DeValue<'i>> {
        self.known.push(key);
        self.table.get(key).map(Spanned::get_ref)
    }

    fn mistake(&self, key: &str, what: &str, found: &DeValue<'_>, mistakes: &mut Mistakes<'_>) {
        mistakes.add(
            self.offset_of(key),
            format!(
                "key `{}`: expected {what}, found {}",
                self.path(key),
                found.type_str()
            ),
        );
    }

    /// Tells that a key is missing.
    pub(super) fn missing(&self, key: &str, what: &str, mistakes: &mut Mistakes<'_>) {
        mistakes.add(
            self.offset,
            format!("key `{}` is missing: {what}", self.path(key)),
        );
    }

    pub(super) fn text(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<String> {
        match self.get(key)? {
            DeValue::String(text) => Some(text.trim().to_owned()).filter(|text| !text.is_empty()),
            DeValue::Datetime(date) => Some(date.to_string()),
            other => {
                self.mistake(key, "text in quotes", other, mistakes);
                None
            }
        }
    }

    /// Text, or a whole number taken as text.
    pub(super) fn text_or_whole(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<String> {
        if let Some(DeValue::Integer(number)) = self.table.get(key).map(Spanned::get_ref) {
            self.known.push(key);
            return Some(number.to_string());
        }
        self.text(key, mistakes)
    }

    /// A number; text such as `"100u"` or `"2 mV"` carries an SI prefix.
    pub(super) fn number(&mut self, key: &'static str, mistakes: &mut Mistakes<'_>) -> Option<f64> {
        let value = self.get(key)?;
        let number = number_of(value);
        if number.is_none() {
            self.mistake(key, "a number (or text like \"100u\")", value, mistakes);
        }
        number
    }

    /// A number that must be positive and finite.
    pub(super) fn positive(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<f64> {
        self.number_where(key, "positive and finite", mistakes, |x| {
            x.is_finite() && x > 0.0
        })
    }

    /// A number that must be 0 or more; infinity where `open` allows it.
    pub(super) fn not_negative(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<f64> {
        self.number_where(key, "0 or more", mistakes, |x| x >= 0.0)
    }

    fn number_where(
        &mut self,
        key: &'static str,
        rule: &str,
        mistakes: &mut Mistakes<'_>,
        holds: impl Fn(f64) -> bool,
    ) -> Option<f64> {
        let number = self.number(key, mistakes)?;
        if !holds(number) {
            mistakes.add(
                self.offset_of(key),
                format!(
                    "key `{}`: {number} will not do; it must be {rule}",
                    self.path(key)
                ),
            );
            return None;
        }
        Some(number)
    }

    pub(super) fn whole(&mut self, key: &'static str, mistakes: &mut Mistakes<'_>) -> Option<u32> {
        let value = self.get(key)?;
        let whole = match value {
            DeValue::Integer(number) => u32::from_str_radix(number.as_str(), number.radix()).ok(),
            _ => None,
        };
        if whole.is_none_or(|number| number == 0) {
            self.mistake(key, "a whole number of at least 1", value, mistakes);
            return None;
        }
        whole
    }

    pub(super) fn numbers(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<Vec<f64>> {
        let value = self.get(key)?;
        let numbers = match value {
            DeValue::Array(items) => items.iter().map(|item| number_of(item.get_ref())).collect(),
            other => number_of(other).map(|number| vec![number]),
        };
        if numbers.is_none() {
            self.mistake(
                key,
                "numbers in brackets, such as [10, 20e3]",
                value,
                mistakes,
            );
        }
        numbers
    }

    /// One of the words of `choices`.
    pub(super) fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&str, T)],
        mistakes: &mut Mistakes<'_>,
    ) -> Option<T> {
        let value = self.get(key)?;
        let DeValue::String(word) = value else {
            self.mistake(key, "text in quotes", value, mistakes);
            return None;
        };
        let found = choices.iter().find(|(name, _)| name == word);
        if found.is_none() {
            let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
            mistakes.add(
                self.offset_of(key),
                format!(
                    "key `{}`: \"{word}\" is not understood{}; understood here: {}",
                    self.path(key),
                    suggestion(word, &names),
                    names.join(", ")
                ),
            );
        }
        found.map(|(_, meaning)| *meaning)
    }

    pub(super) fn table(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Option<TableReader<'a, 'i>> {
        match self.get(key)? {
            DeValue::Table(table) => {
                Some(TableReader::new(table, self.path(key), self.offset_of(key)))
            }
            other => {
                self.mistake(
                    key,
                    &format!("a table [{}]", self.path(key)),
                    other,
                    mistakes,
                );
                None
            }
        }
    }

    /// The tables of an array of tables, named `key[1]`, `key[2]`, ...
    pub(super) fn tables(
        &mut self,
        key: &'static str,
        mistakes: &mut Mistakes<'_>,
    ) -> Vec<TableReader<'a, 'i>> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let expected = format!("tables headed [[{}]]", self.path(key));
        let DeValue::Array(items) = value else {
            self.mistake(key, &expected, value, mistakes);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for (index, item) in items.iter().enumerate() {
            match item.get_ref() {
                DeValue::Table(table) => tables.push(TableReader::new(
                    table,
                    format!("{}[{}]", self.path(key), index + 1),
                    item.span().start,
                )),
                other => self.mistake(key, &expected, other, mistakes),
            }
        }
        tables
    }

    /// Every key of the table but these with its value as a number.
    pub(super) fn named_numbers(
        &mut self,
        except: &[&str],
        mistakes: &mut Mistakes<'_>,
    ) -> Vec<(String, f64)> {
        let mut numbers = Vec::new();
        for (key, value) in self.table {
            let name = key.get_ref().as_ref();
            if except.contains(&name) {
                continue;
            }
            match number_of(value.get_ref()) {
                Some(number) => numbers.push((name.to_owned(), number)),
                None => self.mistake(
                    name,
                    "a number (or text like \"100u\")",
                    value.get_ref(),
                    mistakes,
                ),
            }
        }
        numbers
    }

    /// Tells the keys that nobody asked for.
    pub(super) fn finish(&self, mistakes: &mut Mistakes<'_>) {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if !self.known.contains(&name) {
                mistakes.add(key.span().start, self.unknown(name, &self.known));
            }
        }
    }

    fn unknown(&self, name: &str, understood: &[&str]) -> String {
        format!(
            "key `{}` is not understood{}; understood here: {}",
            self.path(name),
            suggestion(name, understood),
            understood.join(", ")
        )
    }
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
            .ok()
            .map(|number| number as f64),
        DeValue::Float(number) => number.as_str().parse().ok(),
        DeValue::String(text) => si::read(text),
        _ => None,
    }
    .filter(|x: &f64| !x.is_nan())
}

fn suggestion(word: &str, choices: &[&str]) -> String {
    choices
        .iter()
        .map(|choice| (strsim::jaro_winkler(word, choice), choice))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, choice)| {
            format!("; did you mean `{choice}`?")
        })
}

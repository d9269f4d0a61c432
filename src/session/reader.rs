//! Reading TOML tables with every mistake told: its line, its key and what would be understood.

use crate::{Error, ErrorKind, si};
use std::cell::RefCell;
use std::fmt::Display;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a number may be written as.
const NUMBER: &str = "a number (or text like \"100u\")";

/// Mistakes found in a file, with byte offsets turned into lines.
#[derive(Debug)]
pub(super) struct Mistakes<'t> {
    text: &'t str,
    file: &'t Path,
    found: RefCell<Vec<Error>>,
}

impl<'t> Mistakes<'t> {
    pub(super) fn new(text: &'t str, file: &'t Path) -> Self {
        Self {
            text,
            file,
            found: RefCell::default(),
        }
    }

    pub(super) fn add(&self, offset: usize, message: impl Into<String>) {
        let before = self.text.as_bytes().iter().take(offset);
        let line = 1 + before.filter(|byte| **byte == b'\n').count() as u64;
        self.found.borrow_mut().push(
            ErrorKind::BadValue
                .error(message)
                .in_file(self.file)
                .at_line(line),
        );
    }

    /// The mistakes by rising line.
    pub(super) fn into_errors(self) -> Vec<Error> {
        let mut found = self.found.into_inner();
        found.sort_by_key(Error::line);
        found
    }
}

/// What a draft puts where only the user knows; a session that still has it does not run.
pub(super) const FILL_IN: &str = "FILL IN";

/// One table being read; keys that nobody asked for are mistakes.
pub(super) struct TableReader<'a> {
    table: &'a DeTable<'a>,
    name: String,
    offset: usize,
    known: Vec<&'static str>,
    mistakes: &'a Mistakes<'a>,
}

impl<'a> TableReader<'a> {
    pub(super) fn new(
        table: &'a DeTable<'a>,
        name: impl Into<String>,
        offset: usize,
        mistakes: &'a Mistakes<'a>,
    ) -> Self {
        Self {
            table,
            name: name.into(),
            offset,
            known: Vec::new(),
            mistakes,
        }
    }

    /// Byte offset of a key, or of the table where the key is absent.
    fn offset_of(&self, key: &str) -> usize {
        self.table
            .iter()
            .find(|(found, _)| found.get_ref() == key)
            .map_or(self.offset, |(found, _)| found.span().start)
    }

    /// The full name of a key.
    fn path(&self, key: &str) -> String {
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

    fn get(&mut self, key: &'static str) -> Option<&'a DeValue<'a>> {
        self.known.push(key);
        self.table.get(key).map(Spanned::get_ref)
    }

    /// Tells what is wrong with the value of a key.
    pub(super) fn refuse(&self, key: &str, why: impl Display) {
        let message = format!("key `{}`: {why}", self.path(key));
        self.mistakes.add(self.offset_of(key), message);
    }

    /// Tells what should stand in the place of what was found.
    fn expected<T>(&self, key: &str, what: &str, found: &DeValue<'_>) -> Option<T> {
        self.refuse(key, format!("expected {what}, found {}", found.type_str()));
        None
    }

    /// Tells that a key is missing.
    pub(super) fn missing(&self, key: &str, what: &str) {
        self.mistakes.add(
            self.offset,
            format!("key `{}` is missing: {what}", self.path(key)),
        );
    }

    pub(super) fn text(&mut self, key: &'static str) -> Option<String> {
        match self.get(key)? {
            DeValue::String(text) if text.trim() == FILL_IN => {
                self.refuse(key, "it is not filled in yet");
                None
            }
            DeValue::String(text) => Some(text.trim().to_owned()).filter(|text| !text.is_empty()),
            DeValue::Datetime(date) => Some(date.to_string()),
            other => self.expected(key, "text in quotes", other),
        }
    }

    /// True or false.
    pub(super) fn flag(&mut self, key: &'static str) -> Option<bool> {
        match self.get(key)? {
            DeValue::Boolean(flag) => Some(*flag),
            other => self.expected(key, "true or false", other),
        }
    }

    /// Text, or a whole number taken as text.
    pub(super) fn text_or_whole(&mut self, key: &'static str) -> Option<String> {
        if let Some(DeValue::Integer(number)) = self.table.get(key).map(Spanned::get_ref) {
            self.known.push(key);
            return Some(number.to_string());
        }
        self.text(key)
    }

    /// A number; text such as `"100u"` or `"2 mV"` carries an SI prefix.
    pub(super) fn number(&mut self, key: &'static str) -> Option<f64> {
        let value = self.get(key)?;
        number_of(value).or_else(|| self.expected(key, NUMBER, value))
    }

    /// A number that must be positive and finite.
    pub(super) fn positive(&mut self, key: &'static str) -> Option<f64> {
        self.number_where(key, "it must be positive and finite", |x| {
            x.is_finite() && x > 0.0
        })
    }

    /// A number that must be 0 or more, infinity included.
    pub(super) fn not_negative(&mut self, key: &'static str) -> Option<f64> {
        self.number_where(key, "it must be 0 or more", |x| x >= 0.0)
    }

    /// A number for which `holds` holds, as `rule` says.
    pub(super) fn number_where(
        &mut self,
        key: &'static str,
        rule: &str,
        holds: impl Fn(f64) -> bool,
    ) -> Option<f64> {
        let number = self.number(key)?;
        if !holds(number) {
            self.refuse(key, format!("{number} will not do; {rule}"));
            return None;
        }
        Some(number)
    }

    pub(super) fn whole(&mut self, key: &'static str) -> Option<u32> {
        let value = self.get(key)?;
        let whole = match value {
            DeValue::Integer(number) => u32::from_str_radix(number.as_str(), number.radix()).ok(),
            _ => None,
        };
        whole
            .filter(|number| *number > 0)
            .or_else(|| self.expected(key, "a whole number of at least 1", value))
    }

    pub(super) fn numbers(&mut self, key: &'static str) -> Option<Vec<f64>> {
        let value = self.get(key)?;
        let numbers: Option<Vec<f64>> = match value {
            DeValue::Array(items) => items.iter().map(|item| number_of(item.get_ref())).collect(),
            other => number_of(other).map(|number| vec![number]),
        };
        numbers.or_else(|| self.expected(key, "numbers in brackets, such as [10, 20e3]", value))
    }

    /// One of the words of `choices`.
    pub(super) fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&str, T)],
    ) -> Option<T> {
        let value = self.get(key)?;
        let DeValue::String(word) = value else {
            return self.expected(key, "text in quotes", value);
        };
        let found = choices.iter().find(|(name, _)| name == word);
        let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
        if word.trim() == FILL_IN {
            let words = names.join(", ");
            self.refuse(
                key,
                format!("it is not filled in yet; understood here: {words}"),
            );
        } else if found.is_none() {
            self.refuse(key, format!("\"{word}\" {}", not_understood(word, &names)));
        }
        found.map(|(_, meaning)| *meaning)
    }

    pub(super) fn table(&mut self, key: &'static str) -> Option<TableReader<'a>> {
        match self.get(key)? {
            DeValue::Table(table) => Some(self.below(table, self.path(key), self.offset_of(key))),
            other => self.expected(key, &format!("a table [{}]", self.path(key)), other),
        }
    }

    /// The tables of an array of tables, named `key[1]`, `key[2]`, ...
    pub(super) fn tables(&mut self, key: &'static str) -> Vec<TableReader<'a>> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let what = format!("tables headed [[{}]]", self.path(key));
        let DeValue::Array(items) = value else {
            return self.expected(key, &what, value).unwrap_or_default();
        };
        let table = |(index, item): (usize, &'a Spanned<DeValue<'a>>)| match item.get_ref() {
            DeValue::Table(table) => {
                let name = format!("{}[{}]", self.path(key), index + 1);
                Some(self.below(table, name, item.span().start))
            }
            other => self.expected(key, &what, other),
        };
        items.iter().enumerate().filter_map(table).collect()
    }

    fn below(&self, table: &'a DeTable<'a>, name: String, offset: usize) -> Self {
        Self::new(table, name, offset, self.mistakes)
    }

    /// Every key of the table but these with its value as a number.
    pub(super) fn named_numbers(&mut self, except: &[&str]) -> Vec<(String, f64)> {
        let mut numbers = Vec::new();
        for (key, value) in self.table {
            let (name, value) = (key.get_ref().as_ref(), value.get_ref());
            if !except.contains(&name) {
                let number = number_of(value).or_else(|| self.expected(name, NUMBER, value));
                numbers.extend(number.map(|number| (name.to_owned(), number)));
            }
        }
        numbers
    }

    /// Hands on what the table says, once every key was asked for: tells the others.
    pub(super) fn read<T>(&self, value: T) -> T {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if !self.known.contains(&name) {
                let message = format!(
                    "key `{}` {}",
                    self.path(name),
                    not_understood(name, &self.known)
                );
                self.mistakes.add(key.span().start, message);
            }
        }
        value
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

fn not_understood(word: &str, choices: &[&str]) -> String {
    let suggestion = choices
        .iter()
        .map(|choice| (strsim::jaro_winkler(word, choice), choice))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, choice)| {
            format!("; did you mean `{choice}`?")
        });
    format!(
        "is not understood{suggestion}; understood here: {}",
        choices.join(", ")
    )
}

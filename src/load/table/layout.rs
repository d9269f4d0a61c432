//! What a text table is built of.

use crate::load::preamble::fact::Fact;
use crate::load::table::columns::{Column, Role};
use crate::load::table::labels::Labels;
use crate::load::text::dialect::Dialect;
use crate::load::value::cell::Cell;
use crate::load::vocabulary::meaning::Meaning;

/// A table as it was understood.
#[derive(Debug)]
pub(crate) struct Layout {
    pub dialect: Dialect,
    pub facts: Vec<(Meaning, Fact)>,
    pub header_line: Option<u64>,
    /// The text of that line.
    pub header: Option<String>,
    pub units_line: Option<u64>,
    pub columns: Vec<Column>,
    /// Index among the head's lines of the first row.
    pub first_row: usize,
    /// Whether a column of words beside the time may part the rows by channel.
    pub may_be_labelled: bool,
}

impl Layout {
    /// The names of the columns.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.columns.iter().map(|column| column.title.name.as_str())
    }

    /// The columns of samples.
    pub fn signals(&self) -> Vec<usize> {
        (0..self.columns.len())
            .filter(|index| self.columns[*index].role == Role::Signal)
            .collect()
    }
}

/// What the front of a table shows beside its layout.
#[derive(Debug)]
pub(crate) struct Evidence {
    /// Byte that ends a line.
    pub terminator: u8,
    /// Byte at which the first row starts, and its 1-based line.
    pub offset: u64,
    pub line: u64,
    /// The first rows.
    pub rows: Vec<Vec<Cell>>,
    /// Empty lines between them.
    pub blanks: usize,
    /// A rate named without a key, Hz.
    pub loose_hz: Option<f64>,
    pub labels: Option<Labels>,
}

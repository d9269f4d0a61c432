//! The first rows of a table.

use crate::load::preamble::fact::{self, Fact};
use crate::load::table::body::Body;
use crate::load::table::kinds::{Kind, matches_kinds};
use crate::load::text::head::Line;
use crate::load::value::cell::{self, Cell};
use std::borrow::Cow;

/// Rows looked at to understand a table.
const PROBE_ROWS: usize = 600;

/// Rows looked at where a column of words may name the channel of each.
const LABELLED_ROWS: usize = 1 << 20;

/// Cells looked at, whatever the number of columns; rows that are looked at all the same.
const PROBE_CELLS: usize = 1 << 21;
const PROBE_ROWS_LEAST: usize = 16;

/// What the first rows of a table hold.
#[derive(Debug)]
pub(crate) struct Probe {
    pub rows: Vec<Vec<Cell>>,
    /// The cells of each column of words, and of that which numbers records.
    pub texts: Vec<Vec<String>>,
    /// Statements beside the rows.
    pub facts: Vec<Fact>,
    /// Empty lines between the rows.
    pub blanks: usize,
}

impl Probe {
    /// Reads the first rows, more of them where a column may tell the channel or the record (in column `record`)
    /// of each. `whole`: the lines are the whole file.
    pub fn of(lines: &[Line<'_>], body: &Body, record: Option<usize>, whole: bool) -> Self {
        let width = body.kinds.len();
        let mut wanted = if body.kinds.contains(&Kind::Text) && whole {
            LABELLED_ROWS
        } else {
            PROBE_ROWS
        };
        let cells_allow = (PROBE_CELLS / width).max(PROBE_ROWS_LEAST);
        let mut probe = Self {
            rows: Vec::new(),
            texts: vec![Vec::new(); width],
            facts: Vec::new(),
            blanks: 0,
        };
        let mut cells = Vec::new();
        let mut after_blank = false;
        for line in &lines[body.first_row..] {
            if probe.rows.len() >= wanted.min(cells_allow) {
                break;
            }
            if line.text.trim().is_empty() {
                probe.blanks += 1;
                after_blank = true;
                continue;
            }
            body.dialect.split(&line.text, &mut cells);
            let row: Vec<Cell> = cells
                .iter()
                .map(|cell| body.dialect.classify(cell))
                .collect();
            if !matches_kinds(&row, &body.kinds) {
                if probe.rows.len() >= 2 {
                    break;
                }
                continue;
            }
            if std::mem::take(&mut after_blank) && probe.begins_again(&row) {
                break;
            }
            probe.note_texts(body, record, &cells);
            if probe.rows.len() < PROBE_ROWS {
                probe.note_facts(body, &row, &cells, line.number);
            }
            probe.rows.push(row);
            if let ([first, second], Some(record)) = (probe.rows.as_slice(), record)
                && whole
                && first.get(record) == second.get(record)
            {
                wanted = LABELLED_ROWS;
            }
        }
        probe
    }

    /// Whether the first number of a row behind blank lines falls back to that of the first row.
    fn begins_again(&self, row: &[Cell]) -> bool {
        let first = self.rows.first().and_then(|row| row.first());
        match (first, row.first()) {
            (Some(Cell::Number(first)), Some(Cell::Number(now))) => {
                self.texts.len() > 1 && self.rows.len() > 1 && now.value <= first.value
            }
            _ => false,
        }
    }

    fn note_texts(&mut self, body: &Body, record: Option<usize>, cells: &[Cow<'_, str>]) {
        for (index, (texts, cell)) in self.texts.iter_mut().zip(cells).enumerate() {
            if body.kinds[index] == Kind::Text || record == Some(index) {
                texts.push(cell::bare(cell).to_string());
            }
        }
    }

    /// Takes the statements in the cells beside the numbers of a row.
    fn note_facts(&mut self, body: &Body, row: &[Cell], cells: &[Cow<'_, str>], line: u64) {
        let is_beside = |kind: &Kind| matches!(kind, Kind::Empty | Kind::Text);
        let mut pairs = body.kinds.iter().zip(row);
        if !pairs.any(|(kind, cell)| is_beside(kind) && *cell == Cell::Text) {
            return;
        }
        let beside: Vec<Cow<'_, str>> = cells
            .iter()
            .enumerate()
            .map(|(index, cell)| {
                if body.kinds.get(index).is_none_or(is_beside) {
                    cell.clone()
                } else {
                    Cow::Borrowed("")
                }
            })
            .collect();
        fact::facts_of_cells(&beside, line, &mut self.facts);
    }
}

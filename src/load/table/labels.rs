//! Columns that say to which channel or record a row belongs.

use crate::load::text::dialect::Dialect;
use crate::load::text::head::Line;
use crate::load::value::cell::{self, Cell};

/// More labels than this are no channels.
const LABELS_MOST: usize = 64;

/// A column that says to which channel a row belongs.
#[derive(Debug)]
pub(crate) struct Labels {
    pub column: usize,
    /// Whether it numbers records rather than naming channels.
    pub numbered: bool,
    pub names: Vec<String>,
    /// The label of each probed row.
    pub of_rows: Vec<String>,
}

/// The labels of a column and, for each, whether its rows' times rise: those of a table that lists its
/// channels one below the other, or row by row in turn.
pub(crate) fn labels(
    rows: &[Line<'_>],
    dialect: Dialect,
    width: usize,
    label: usize,
    time: usize,
) -> Option<Vec<String>> {
    let mut labels: Vec<(String, f64)> = Vec::new();
    let mut cells = Vec::new();
    let mut previous = f64::NEG_INFINITY;
    let mut falls = false;
    for line in rows {
        dialect.split(&line.text, &mut cells);
        if cells.len() < width {
            continue;
        }
        let text = cell::bare(&cells[label]);
        let Cell::Number(number) = dialect.classify(&cells[time]) else {
            continue;
        };
        falls |= number.value <= previous;
        previous = number.value;
        let full = labels.len() >= LABELS_MOST;
        match labels.iter_mut().find(|(known, _)| known == text) {
            Some((_, last)) => {
                if number.value <= *last {
                    return None;
                }
                *last = number.value;
            }
            None if !full => labels.push((text.to_string(), number.value)),
            None => return None,
        }
    }
    (falls && labels.len() > 1).then(|| labels.into_iter().map(|(label, _)| label).collect())
}

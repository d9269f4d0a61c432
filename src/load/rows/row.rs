//! A row read cell by cell, in full generality.

use crate::load::rows::plan::{Plan, Use};
use crate::load::shown::{no_number, shown};
use crate::load::text::dialect::filled;
use crate::load::time::row_time::{RowTime, Stamp};
use crate::load::unit;
use crate::load::value::cell::Cell;
use crate::{Error, ErrorKind};
use std::borrow::Cow;

/// What a line turned out to be.
pub(crate) enum Outcome {
    /// A row, with its time.
    Frame(Option<Stamp>),
    /// Nothing in it but delimiters: a missing sample, if rows follow.
    Blank,
    /// A line to be passed over.
    Remark,
    /// The end of a group of columns that is shorter than its neighbours.
    End,
    /// A row with a fault in it.
    Bad(Error),
    /// No row: a closing remark, if no row follows.
    Odd(Error),
}

/// Samples of a channel that were not recorded.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Missing {
    pub count: u64,
    pub first_line: u64,
}

impl Missing {
    /// Counts further ones, the first of them in a line.
    pub fn note(&mut self, count: u64, line: u64) {
        if self.count == 0 {
            self.first_line = line;
        }
        self.count += count;
    }
}

/// Where the samples of a row go: channel by channel, `stride` apart.
pub(crate) struct Frame<'a> {
    pub out: &'a mut [f64],
    pub stride: usize,
    pub index: usize,
}

impl Frame<'_> {
    #[inline]
    pub fn set(&mut self, channel: usize, value: f64) {
        if let Some(place) = self.out.get_mut(channel * self.stride + self.index) {
            *place = value;
        }
    }
}

/// Reads a row from its cells.
pub(crate) fn read_row(
    plan: &Plan,
    cells: &[Cow<'_, str>],
    line: u64,
    time: &mut RowTime,
    missing: &mut [Missing],
    frame: &mut Frame<'_>,
) -> Outcome {
    if filled(cells) == 0 {
        return Outcome::Blank;
    }
    let row = Row {
        plan,
        cells,
        line,
        kinds: kinds_of(plan, cells),
    };
    if let Some(outcome) = row.text_found().or_else(|| row.misfit()) {
        return outcome;
    }
    let stamp = match plan.time.map(|cells| time.of_cells(cells, &row.kinds)) {
        None => None,
        Some(Ok(stamp)) => Some(stamp),
        Some(Err(column)) if !matches!(row.kinds[column], None | Some(Cell::Missing)) => {
            let found = shown(row.cells[column].trim());
            let message = format!("found '{found}' where a time should stand; mend the cell");
            return Outcome::Bad(row.bad(column, message));
        }
        Some(Err(_)) if !row.all_missing(|column| matches!(column, Use::Value(_))) => None,
        Some(Err(_)) if plan.may_end_early => return Outcome::End,
        Some(Err(_)) => return Outcome::Blank,
    };
    match row.set_samples(missing, frame) {
        Ok(()) => Outcome::Frame(stamp),
        Err(error) => Outcome::Bad(error),
    }
}

/// What the cells of the columns that are read hold.
fn kinds_of(plan: &Plan, cells: &[Cow<'_, str>]) -> Vec<Option<Cell>> {
    plan.columns
        .iter()
        .enumerate()
        .map(|(index, column)| {
            (*column != Use::Skip)
                .then(|| cells.get(index).map(|cell| plan.dialect.classify(cell)))
                .flatten()
        })
        .collect()
}

struct Row<'a> {
    plan: &'a Plan,
    cells: &'a [Cow<'a, str>],
    line: u64,
    /// By column; `None` where it is not read or not there.
    kinds: Vec<Option<Cell>>,
}

impl Row<'_> {
    /// Columns that are read.
    fn read(&self) -> impl Iterator<Item = usize> {
        (0..self.plan.columns.len()).filter(|index| self.plan.columns[*index] != Use::Skip)
    }

    fn all_missing(&self, used: impl Fn(Use) -> bool) -> bool {
        self.read()
            .filter(|index| used(self.plan.columns[*index]))
            .all(|index| self.kinds[index] == Some(Cell::Missing))
    }

    fn bad(&self, column: usize, message: String) -> Error {
        ErrorKind::BadValue
            .error(message)
            .at_line(self.line)
            .at_column(column as u64 + 1)
    }

    fn no_number(&self, column: usize) -> Error {
        no_number(&self.cells[column], self.line, column)
    }

    /// Words where numbers should stand: a remark where they open the line, else a fault.
    fn text_found(&self) -> Option<Outcome> {
        let column = self
            .read()
            .find(|index| self.kinds[*index] == Some(Cell::Text))?;
        let error = self.no_number(column);
        let others = || self.read().filter(|index| *index != column);
        let opens = self
            .read()
            .take_while(|index| *index < column)
            .all(|index| self.kinds[index] == Some(Cell::Missing));
        let remark = opens
            && (others().next().is_none()
                || others().any(|i| !matches!(self.kinds[i], Some(Cell::Number(_))))
                || self.plan.time.is_some());
        Some(if remark {
            Outcome::Odd(error)
        } else {
            Outcome::Bad(error)
        })
    }

    /// Too few or too many cells.
    fn misfit(&self) -> Option<Outcome> {
        let wanted = self.plan.columns.len();
        let (found, column) = if self.cells.len() < wanted {
            (self.cells.len(), self.cells.len())
        } else {
            let count = filled(self.cells);
            let more = wanted > 1
                && count > wanted
                && self.cells[wanted..count]
                    .iter()
                    .any(|cell| self.plan.dialect.classify(cell).is_datum());
            if !more {
                return None;
            }
            (count, wanted)
        };
        let error = self.bad(
            column,
            format!(
                "the row has {found} cells where {wanted} are wanted; mend the row or delete it"
            ),
        );
        let opens_with_datum = self
            .kinds
            .first()
            .and_then(Option::as_ref)
            .is_some_and(Cell::is_datum);
        Some(if found == 1 && !opens_with_datum {
            Outcome::Odd(error)
        } else {
            Outcome::Bad(error)
        })
    }

    fn set_samples(&self, missing: &mut [Missing], frame: &mut Frame<'_>) -> Result<(), Error> {
        for (index, column) in self.plan.columns.iter().enumerate() {
            let Use::Value(signal) = column else {
                continue;
            };
            let value = match &self.kinds[index] {
                Some(Cell::Number(number)) => signal.of(number.value),
                Some(Cell::Quantity(number, text)) => {
                    let own = unit::value_unit(text).map_or(1.0, |unit| unit.factor);
                    number.value * (own * signal.factor) + signal.offset
                }
                Some(Cell::Overload(sign)) => sign * signal.factor.signum() * f64::INFINITY,
                Some(Cell::Missing) | None => {
                    if let Some(missing) = missing.get_mut(signal.channel) {
                        missing.note(1, self.line);
                    }
                    f64::NAN
                }
                Some(_) => return Err(self.no_number(index)),
            };
            frame.set(signal.channel, value);
        }
        Ok(())
    }
}

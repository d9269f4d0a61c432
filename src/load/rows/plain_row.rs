//! Rows of plain numbers, read straight from the bytes: the fast path.

use crate::load::rows::plan::{Plan, Use};
use crate::load::rows::row::Frame;
use crate::load::text::dialect::Delimiter;
use crate::load::value::cell::OVERLOAD_FROM;
use crate::load::value::number::{Decimal, read_decimal};
use crate::load::value::shape::Shapes;
use crate::numeric::vectorised;

/// A row of plain numbers.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct PlainRow {
    /// The number in the time column.
    pub time: Decimal,
    /// Byte behind its line end.
    pub end: usize,
}

/// Reads rows of plain numbers from the front of `text`, as many as there are places in `rows` and in the
/// frame's channels; gives how many. `shapes`: those of the cells of each column so far.
pub(crate) fn read_plain_rows(
    plan: &Plan,
    shapes: &mut [Shapes],
    text: &[u8],
    frame: &mut Frame<'_>,
    rows: &mut [PlainRow],
) -> usize {
    // Shifts by a variable width take one step where the processor has them.
    vectorised(
        #[inline(always)]
        || read_run(plan, shapes, text, frame, rows),
    )
}

#[inline(always)]
fn read_run(
    plan: &Plan,
    shapes: &mut [Shapes],
    text: &[u8],
    frame: &mut Frame<'_>,
    rows: &mut [PlainRow],
) -> usize {
    let cells = Cells { plan, text };
    let mut at = 0;
    let mut count = 0;
    'rows: for row in rows.iter_mut().take(frame.stride - frame.index) {
        for (index, (column, shape)) in plan.columns.iter().zip(&mut *shapes).enumerate() {
            if *column != Use::Skip
                && let Some(cell) = text.get(at..)
                && let Some((number, length)) = shape.read(cell)
            {
                set(*column, number, frame, row);
                at += length;
            } else if let Some(end) = cells.read(index, at, shape, frame, row) {
                at = end;
            } else {
                break 'rows;
            }
        }
        row.end = at;
        frame.index += 1;
        count += 1;
    }
    count
}

/// Puts a number where it belongs.
#[inline(always)]
fn set(column: Use, number: Decimal, frame: &mut Frame<'_>, row: &mut PlainRow) {
    match column {
        Use::Skip => {}
        Use::Time => row.time = number,
        Use::Value(signal) => frame.set(signal.channel, signal.of(number.value)),
    }
}

/// The text of plain rows and how they are read.
struct Cells<'a> {
    plan: &'a Plan,
    text: &'a [u8],
}

impl Cells<'_> {
    /// Reads the cell of a column at a place, a plain number, and gives the place of the next; `None` where
    /// anything else is in it, or behind it.
    #[inline(never)]
    fn read(
        &self,
        index: usize,
        at: usize,
        shape: &mut Shapes,
        frame: &mut Frame<'_>,
        row: &mut PlainRow,
    ) -> Option<usize> {
        let Self { plan, text } = *self;
        let blanks_from = |at: usize| text.get(at..).map_or(0, |rest| leading(rest, b" "));
        let first = at + blanks_from(at);
        let column = plan.columns[index];
        let mut at = first;
        if column == Use::Skip {
            at += skip_cell(plan, text.get(at..)?, index)?;
        } else {
            let number = read_decimal(text.get(at..)?, plan.dialect.decimal_mark)?;
            if number.value.abs() >= OVERLOAD_FROM {
                return None;
            }
            at += number.length;
            set(column, number, frame, row);
        }
        let next = if index + 1 < plan.columns.len() {
            match plan.dialect.delimiter {
                Delimiter::Byte(delimiter) => {
                    if text.get(at) != Some(&delimiter) {
                        at += blanks_from(at);
                    }
                    (text.get(at) == Some(&delimiter)).then_some(at + 1)?
                }
                Delimiter::Blanks => {
                    let blanks = leading(text.get(at..)?, b" \t");
                    (blanks > 0).then_some(at + blanks)?
                }
            }
        } else {
            at += blanks_from(at);
            if text.get(at) == Some(&b'\r') && plan.terminator == b'\n' {
                at += 1;
            }
            (text.get(at) == Some(&plan.terminator)).then_some(at + 1)?
        };
        if column != Use::Skip {
            shape.miss(&text[first..next], plan.dialect.decimal_mark);
        }
        Some(next)
    }
}

/// How many bytes of those wanted `text` opens with.
fn leading(text: &[u8], wanted: &[u8]) -> usize {
    text.iter().take_while(|byte| wanted.contains(byte)).count()
}

/// Length of a cell that is not read; `None` where it may be more than a cell.
fn skip_cell(plan: &Plan, text: &[u8], index: usize) -> Option<usize> {
    // Other openings may be those of a remark.
    let opens_row = |byte: &u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'+' | b'.');
    if index == 0 && !text.first().is_some_and(opens_row) {
        return None;
    }
    let length = text.iter().position(|b| {
        (match plan.dialect.delimiter {
            Delimiter::Byte(delimiter) => *b == delimiter,
            Delimiter::Blanks => !b.is_ascii_graphic(),
        }) || *b == plan.terminator
            || *b == b'"'
    })?;
    let cut = text[length] == plan.terminator && index + 1 != plan.columns.len();
    // Blanks part no cell that is empty.
    let absent = length == 0 && plan.dialect.delimiter == Delimiter::Blanks;
    (text[length] != b'"' && !cut && !absent).then_some(length)
}

//! Rows of plain numbers, read straight from the bytes: the fast path.

use super::cell::OVERLOAD_FROM;
use super::number::{Decimal, read_decimal};
use super::plan::{Plan, Use};
use super::row::Frame;

/// A row of plain numbers.
pub(super) struct PlainRow {
    /// The number in the time column.
    pub time: Option<Decimal>,
    /// Length with the line end.
    pub bytes: usize,
}

/// Whether a number stands for itself rather than for an overload.
#[inline(always)]
fn is_plain(number: Decimal) -> bool {
    number.value.abs() < OVERLOAD_FROM
}

/// Reads a row of plain numbers; `None` where anything else is in it. `BLANKS`: the cells are parted by
/// runs of blanks instead of the delimiter.
#[inline(always)]
pub(super) fn read_plain_row<const BLANKS: bool>(
    plan: &Plan,
    delimiter: u8,
    text: &[u8],
    frame: &mut Frame<'_>,
) -> Option<PlainRow> {
    let mark = plan.dialect.decimal_mark;
    let terminator = plan.terminator;
    let mut at = 0;
    let mut time = None;
    let last = plan.columns.len() - 1;
    for (index, column) in plan.columns.iter().enumerate() {
        while text.get(at) == Some(&b' ') {
            at += 1;
        }
        match *column {
            Use::Skip => {
                // Other openings may be those of a remark.
                let opens_row =
                    |byte: &u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'+' | b'.');
                if index == 0 && !text.get(at).is_some_and(opens_row) {
                    return None;
                }
                at += text[at..].iter().position(|b| {
                    (if BLANKS {
                        !b.is_ascii_graphic()
                    } else {
                        *b == delimiter
                    }) || *b == terminator
                        || *b == b'"'
                })?;
                if text[at] == b'"' || text[at] == terminator && index != last {
                    return None;
                }
            }
            Use::Time => {
                let number = read_decimal(&text[at..], mark).filter(|n| is_plain(*n))?;
                at += number.length;
                time = Some(number);
            }
            Use::Value {
                channel,
                reference,
                factor,
                offset,
            } => {
                let number = read_decimal(&text[at..], mark).filter(|n| is_plain(*n))?;
                at += number.length;
                frame.set(channel, (number.value - reference) * factor + offset);
            }
        }
        if !BLANKS && index != last && text.get(at) == Some(&delimiter) {
            at += 1;
            continue;
        }
        let before = at;
        while text.get(at) == Some(&b' ') {
            at += 1;
        }
        if index != last {
            if BLANKS {
                while let Some(b' ' | b'\t') = text.get(at) {
                    at += 1;
                }
                if at == before {
                    return None;
                }
            } else {
                if text.get(at) != Some(&delimiter) {
                    return None;
                }
                at += 1;
            }
        }
    }
    if text.get(at) == Some(&b'\r') && terminator == b'\n' {
        at += 1;
    }
    (text.get(at) == Some(&terminator)).then_some(PlainRow {
        time,
        bytes: at + 1,
    })
}

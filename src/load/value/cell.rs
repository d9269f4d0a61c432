//! What one cell of a table holds.

use crate::load::unit;
use crate::load::value::clock::{self, Moment};
use crate::load::value::number::{Decimal, parse_decimal};
use std::borrow::Cow;

/// From this magnitude on a value marks an overload: meters write 9.9E+37 where the range is
/// exceeded and 9.91E+37 where there is no number (common practice of instrument control).
pub(crate) const OVERLOAD_FROM: f64 = 9.0e37;

/// The content of a cell.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Cell {
    /// A plain number.
    Number(Decimal),
    /// A number followed by a unit: the number and the unit's text.
    Quantity(Decimal, String),
    /// Nothing was recorded.
    Missing,
    /// Beyond the range, with its sign.
    Overload(f64),
    /// A clock time.
    Clock(Moment),
    /// A calendar date, days since 1970-01-01.
    Date(i64),
    /// Date and time.
    Stamp(Moment),
    /// Anything else.
    Text,
}

impl Cell {
    /// Whether the cell can be part of a row of data.
    pub fn is_datum(&self) -> bool {
        !matches!(self, Self::Text | Self::Missing)
    }
}

/// Takes blanks, quotes, a leading apostrophe and the equals sign of a quoted formula off.
pub(crate) fn bare(text: &str) -> &str {
    let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\u{feff}');
    let text = text
        .strip_prefix('=')
        .filter(|formula| formula.starts_with('"'))
        .unwrap_or(text);
    let text = text
        .strip_prefix('"')
        .and_then(|inner| inner.strip_suffix('"'))
        .unwrap_or(text);
    let text = text
        .strip_prefix('\'')
        .map_or(text, |inner| inner.strip_suffix('\'').unwrap_or(inner));
    text.trim()
}

/// Sorts a number into value, overload or missing.
pub(crate) fn of_number(number: Decimal) -> Cell {
    if number.value.abs() < OVERLOAD_FROM {
        Cell::Number(number)
    } else if (number.value.abs() / 9.91e37 - 1.0).abs() < 1e-4 {
        Cell::Missing
    } else {
        Cell::Overload(number.value.signum())
    }
}

/// Reads a cell.
pub(crate) fn classify(text: &str, decimal_mark: u8) -> Cell {
    // Most cells are numbers with nothing to be taken off.
    if text.ends_with(|c: char| c.is_ascii_digit())
        && let Some(number) = parse_decimal(text, decimal_mark)
    {
        return of_number(number);
    }
    let text = bare(text);
    let Some(&first) = text.as_bytes().first() else {
        return Cell::Missing;
    };
    if let Some(number) = parse_decimal(text, decimal_mark) {
        return of_number(number);
    }
    if let Some(mark) = special(text) {
        return mark;
    }
    if first.is_ascii_digit() || matches!(first, b'-' | b'+' | b'.') || !first.is_ascii() {
        if text.contains(':') || text.as_bytes().get(8) == Some(&b'T') {
            if let Some(moment) = clock::time_stamp(text) {
                return Cell::Stamp(moment);
            }
            if let Some(moment) = clock::clock_time(text) {
                return Cell::Clock(moment);
            }
        }
        if let Some(day) = clock::date(text) {
            return Cell::Date(day);
        }
        if let Some(number) = lenient(text, decimal_mark).or_else(|| prefixed(text, decimal_mark)) {
            return of_number(number);
        }
        if let Some((number, unit)) = quantity(text, decimal_mark) {
            return match of_number(number) {
                Cell::Number(number) => Cell::Quantity(number, unit),
                other => other,
            };
        }
    }
    match text.split_once(" #") {
        // A remark behind the last cell.
        Some((number, _)) => {
            parse_decimal(number.trim_end(), decimal_mark).map_or(Cell::Text, of_number)
        }
        None => Cell::Text,
    }
}

/// Marks that stand where a number should.
fn special(text: &str) -> Option<Cell> {
    if text.len() > 16
        || text.starts_with(|c: char| matches!(c, '2'..='9'))
        || text.contains([',', ';', '\t', '|'])
    {
        return None;
    }
    let upper = text.to_uppercase();
    let (sign, mark) = match upper.strip_prefix('-') {
        Some(rest) => (-1.0, rest.trim()),
        None => (1.0, upper.strip_prefix('+').unwrap_or(&upper).trim()),
    };
    match mark {
        "" | "-" | "--" | "---" | "----" | "-----" | "NAN" | "NA" | "N/A" | "#N/A" | "N.A."
        | "NULL" | "NONE" | "NIL" | "?" | "*" | "**" | "***" | "." | "..." | "1.#IND"
        | "1.#QNAN" | "#VALUE!" | "#NUM!" | "#DIV/0!" | "BLANK" | "MISSING" | "INVALID"
        | "\u{2013}" | "\u{2014}" | "(NULL)" | "NO DATA" | "_" => Some(Cell::Missing),
        "INF" | "INFINITY" | "\u{221e}" | "1.#INF" | "OL" | "O.L" | "O.L." | "0L" | "0.L"
        | "OVLD" | "OVL" | "OVER" | "OVERLOAD" | "OVERRANGE" | "OVER RANGE" | "OVERFLOW"
        | "OVF" | "OVR" | "OVRNG" | "OFL" | "OFLOW" | "CLIP" | "CLIPPED" | "CLIPPING" | "SAT"
        | "SATURATED" | ">" | ">>" | ">>>" | "1.E+38" => Some(Cell::Overload(sign)),
        "UNDERRANGE" | "UNDERFLOW" | "UL" | "UFL" | "<" | "<<" | "<<<" => {
            Some(Cell::Overload(-1.0))
        }
        _ => {
            // Overload with its unit: "OL V", "OL mV".
            let (head, tail) = mark.split_once(' ')?;
            (matches!(head, "OL" | "OVLD" | "O.L" | "OVL") && tail.len() <= 4)
                .then_some(Cell::Overload(sign))
        }
    }
}

/// Numbers with a Unicode minus or a blank after the sign.
fn lenient(text: &str, decimal_mark: u8) -> Option<Decimal> {
    if !text.starts_with(['-', '+', '\u{2212}', '\u{2013}']) {
        return None;
    }
    let text = text.replace(['\u{2212}', '\u{2013}'], "-");
    let squeezed = match text.strip_prefix(['-', '+']) {
        Some(rest) => {
            let sign = &text[..1];
            format!("{sign}{}", rest.trim_start())
        }
        None => text,
    };
    parse_decimal(&squeezed, decimal_mark)
}

/// A number with the prefix of a unit that is left away: `134.5m`, `20k`.
fn prefixed(text: &str, decimal_mark: u8) -> Option<Decimal> {
    let number = crate::load::value::number::read_decimal(text.as_bytes(), decimal_mark)?;
    let power = match text.get(number.length..)? {
        "p" => -12,
        "n" => -9,
        "u" | "\u{b5}" | "\u{3bc}" => -6,
        "m" => -3,
        "k" | "K" => 3,
        "M" => 6,
        "G" => 9,
        _ => return None,
    };
    Some(number.shifted(power))
}

/// A number and a known unit: `1.25 mV`, `0.5s`.
pub(crate) fn quantity(text: &str, decimal_mark: u8) -> Option<(Decimal, String)> {
    let text = if text.starts_with('\u{2212}') {
        Cow::Owned(text.replace('\u{2212}', "-"))
    } else {
        Cow::Borrowed(text)
    };
    let number = crate::load::value::number::read_decimal(text.as_bytes(), decimal_mark)?;
    let rest = text.get(number.length..)?.trim();
    (!rest.is_empty()
        && rest.len() <= 24
        && !rest.contains([',', ';', '\t', '|', '.', ':'])
        && unit::is_unit(rest))
    .then(|| (number, rest.to_string()))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    #[test]
    fn cells_of_every_kind() {
        assert!(matches!(classify(" 1.5 ", b'.'), Cell::Number(n) if n.value == 1.5));
        assert!(matches!(classify("'1.5", b'.'), Cell::Number(n) if n.value == 1.5));
        assert!(matches!(classify("- 1.5", b'.'), Cell::Number(n) if n.value == -1.5));
        assert!(matches!(classify("\u{2212}1,5", b','), Cell::Number(n) if n.value == -1.5));
        for text in ["", "--", "NaN", "n/a", "9.91E+37", "#N/A"] {
            assert_eq!(classify(text, b'.'), Cell::Missing, "{text}");
        }
        for (text, sign) in [
            ("OL", 1.0),
            ("-OL", -1.0),
            ("9.9E+37", 1.0),
            ("-inf", -1.0),
            ("+OVLD", 1.0),
        ] {
            assert_eq!(classify(text, b'.'), Cell::Overload(sign), "{text}");
        }
        let Cell::Quantity(number, unit) = classify("1.25 mV", b'.') else {
            panic!("no quantity");
        };
        assert_eq!((number.value, unit.as_str()), (1.25, "mV"));
        assert!(matches!(classify("12:00:00.5", b'.'), Cell::Clock(_)));
        assert!(matches!(classify("2025-12-24", b'.'), Cell::Date(_)));
        assert!(matches!(
            classify("2025-12-24 12:00:00", b'.'),
            Cell::Stamp(_)
        ));
        for text in ["abc", "1.2.3", "1,234.5", "CH1", "<html>"] {
            assert_eq!(classify(text, b'.'), Cell::Text, "{text}");
        }
    }
}

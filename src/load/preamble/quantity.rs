//! Numbers with units as statements write them.

use crate::load::value::number::{parse_decimal, parse_hexadecimal};

/// A number of the preamble with its unit: `1.25 MSa/s`, `100us`, `0,5 ms`, `1,000 Hz`, `10k`.
pub(crate) fn number_and_unit(text: &str, decimal_mark: u8) -> Option<(f64, Option<String>)> {
    let text = text.trim().trim_start_matches(['\u{b1}', '~', '=']).trim();
    let text = text.strip_prefix("+/-").unwrap_or(text).trim();
    if let Some(count) = parse_hexadecimal(text) {
        return Some((count.value, None));
    }
    let end = text
        .char_indices()
        .find(|(at, c)| {
            !(c.is_ascii_digit()
                || matches!(c, '.' | ',')
                || (matches!(c, '+' | '-') && (*at == 0 || text[..*at].ends_with(['e', 'E'])))
                || (matches!(c, 'e' | 'E')
                    && text[at + 1..]
                        .trim_start_matches(['+', '-'])
                        .starts_with(|c: char| c.is_ascii_digit())))
        })
        .map_or(text.len(), |(at, _)| at);
    let (digits, rest) = text.split_at(end);
    let digits = digits.trim_end_matches(',');
    let number = if digits.contains(',') {
        let grouped = decimal_mark == b'.'
            && !digits.trim_start_matches(['-', '+']).starts_with('0')
            && digits
                .split('.')
                .next()
                .is_some_and(|whole| whole.split(',').skip(1).all(|group| group.len() == 3));
        if grouped {
            parse_decimal(&digits.replace(',', ""), b'.')
        } else {
            parse_decimal(digits, b',')
        }
    } else {
        parse_decimal(digits, b'.')
    }?;
    let rest = rest.trim().trim_matches(['(', ')', '[', ']', '"']).trim();
    let suffix = match rest {
        "k" | "K" => Some(1e3),
        "M" => Some(1e6),
        "G" => Some(1e9),
        _ => None,
    };
    match suffix {
        Some(factor) => Some((number.value * factor, None)),
        None => Some((number.value, (!rest.is_empty()).then(|| rest.to_string()))),
    }
}

/// One value of a statement: the number and the unit that counts for it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Value {
    /// Position among the cells after the key.
    pub position: usize,
    /// The number.
    pub number: f64,
    /// Its unit: in the cell, in the next cell, or in the key.
    pub unit: Option<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_with_units() {
        for (text, mark, number, unit) in [
            ("1.25 MSa/s", b'.', 1.25, Some("MSa/s")),
            ("100us", b'.', 100.0, Some("us")),
            ("1,000 Hz", b'.', 1000.0, Some("Hz")),
            ("0,001", b'.', 0.001, None),
            ("1,5 ms", b',', 1.5, Some("ms")),
            ("10k", b'.', 10_000.0, None),
            ("1.0E-06", b'.', 1e-6, None),
        ] {
            let expected = Some((number, unit.map(String::from)));
            assert_eq!(number_and_unit(text, mark), expected, "{text}");
        }
    }
}

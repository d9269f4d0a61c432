//! Text of a file, and numbers, as messages show them.

use crate::{Error, ErrorKind};
use std::borrow::Cow;

/// Characters of a text that a message shows.
const SHOWN_MOST: usize = 40;

/// The front of a text with what no reader should get raw (control characters, escapes, marks that turn the
/// direction of writing) written as its code.
pub(crate) fn shown(text: &str) -> Cow<'_, str> {
    let short = text
        .char_indices()
        .nth(SHOWN_MOST)
        .map_or(text, |(end, _)| &text[..end]);
    if short.len() == text.len() && !text.contains(is_unseen) {
        return Cow::Borrowed(text);
    }
    let mut out = String::new();
    for c in short.chars() {
        if is_unseen(c) {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    if short.len() < text.len() {
        out.push('\u{2026}');
    }
    Cow::Owned(out)
}

/// The refusal of a cell that holds no number. `column`: 0-based.
pub(crate) fn no_number(cell: &str, line: u64, column: usize) -> Error {
    let found = shown(cell.trim());
    ErrorKind::BadValue
        .error(format!(
            "found '{found}' where a number should stand; mend the cell or leave it blank"
        ))
        .at_line(line)
        .at_column(column as u64 + 1)
}

/// A number in a message: six significant digits.
pub(crate) fn short(value: f64) -> String {
    if value == 0.0 {
        return "0".into();
    }
    let text = format!("{value:.5e}");
    let rounded: f64 = text.parse().unwrap_or(value);
    if (1e-4..1e7).contains(&rounded.abs()) {
        format!("{rounded}")
    } else {
        format!("{rounded:e}")
    }
}

fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_reaches_a_terminal_raw() {
        assert_eq!(shown("CH1 \u{b5}V"), "CH1 \u{b5}V");
        assert_eq!(shown("a\u{1b}[31mb"), "a\\u{1b}[31mb");
        assert_eq!(shown("a\nb\u{202e}"), "a\\u{a}b\\u{202e}");
        assert_eq!(
            shown(&"x".repeat(50)),
            format!("{}\u{2026}", "x".repeat(40))
        );
    }
}

//! Text that a terminal shows instead of obeying: names come from files.

use std::borrow::Cow;
use std::io::{self, Write};

/// Stands for a character that is not passed on.
const REPLACEMENT: char = '\u{fffd}';

/// Whether a terminal would obey it: control characters of both sets, and marks that turn the direction of
/// writing.
pub(crate) fn is_obeyed(c: char) -> bool {
    c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// The text on one line, without anything that a terminal would obey.
#[must_use]
pub fn printable(text: &str) -> Cow<'_, str> {
    replaced(text, is_obeyed)
}

/// The text with its line ends, without anything else that a terminal would obey.
#[must_use]
pub fn printable_lines(text: &str) -> Cow<'_, str> {
    replaced(text, |c| is_obeyed(c) && !matches!(c, '\n' | '\r' | '\t'))
}

fn replaced(text: &str, obeyed: impl Fn(char) -> bool + Copy) -> Cow<'_, str> {
    if text.chars().any(obeyed) {
        let shown = |c| if obeyed(c) { REPLACEMENT } else { c };
        Cow::Owned(text.chars().map(shown).collect())
    } else {
        Cow::Borrowed(text)
    }
}

/// A name or sentence as a cell that a spreadsheet takes for text.
///
/// What begins as a formula begins (`=`, `+`, `-`, `@`, a tab or a line end) gets an apostrophe in front, the
/// mark by which spreadsheets know text (common practice, no source). Quotes, commas and line ends are for
/// the writer of the table to enclose.
#[must_use]
pub fn text_cell(text: &str) -> Cow<'_, str> {
    let shown = printable_lines(text);
    if shown.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
        Cow::Owned(format!("'{shown}"))
    } else {
        shown
    }
}

/// JSON (or a string of TOML) with escapes for whatever a terminal would obey; that can stand in strings
/// only, line ends apart.
pub(crate) fn escaped(json: String) -> String {
    let steers = |c: char| c != '\n' && is_obeyed(c);
    if !json.contains(steers) {
        return json;
    }
    json.chars().fold(String::new(), |mut text, c| {
        if steers(c) {
            text.push_str(&format!("\\u{:04x}", u32::from(c)));
        } else {
            text.push(c);
        }
        text
    })
}

/// Writes what `write` writes, its lines printable.
pub(crate) fn shown(
    out: &mut impl Write,
    write: impl FnOnce(&mut Vec<u8>) -> io::Result<()>,
) -> io::Result<()> {
    let mut text = Vec::new();
    write(&mut text)?;
    out.write_all(printable_lines(&String::from_utf8_lossy(&text)).as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_cell_by_example() {
        assert_eq!(text_cell("=1+1"), "'=1+1");
        assert_eq!(text_cell("Bridge, left"), "Bridge, left");
    }

    #[test]
    fn nothing_that_steers_a_terminal_comes_through() {
        let hostile = "a\u{1b}[31m\u{7}b\u{9b}2Jc\u{7f}d\u{202e}e\nf";
        let line = printable(hostile);
        assert!(!line.chars().any(is_obeyed), "{line:?}");
        assert_eq!(printable("Überlast, µV · 5 Ω"), "Überlast, µV · 5 Ω");
        let lines = printable_lines(hostile);
        assert!(lines.ends_with("e\nf") && !lines.contains('\u{1b}'));
    }

    #[test]
    fn what_would_be_a_formula_is_text() {
        for name in ["=1+1", "+5V", "-5V", "@rail", "\t=1", "\n=1"] {
            assert_eq!(text_cell(name), format!("'{name}"));
        }
        assert_eq!(text_cell("5V, \"left\"\nside"), "5V, \"left\"\nside");
        assert_eq!(text_cell("\u{1b}=1"), "\u{fffd}=1");
    }
}

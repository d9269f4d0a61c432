//! Sentences in lines for a terminal.

use crate::printable::printable;
use std::io::{self, Write};

/// Columns of a terminal that every report fits.
pub(crate) const WIDTH: usize = 80;

/// Lines of a sentence behind a lead, broken between words; all but the first are indented by the lead's
/// width.
pub(crate) fn lines(lead: &str, sentence: &str) -> impl Iterator<Item = String> {
    let indent = " ".repeat(lead.chars().count());
    let mut lines = vec![lead.to_owned()];
    let mut column = indent.len();
    let mut first = true;
    let words = sentence.split([' ', '\n', '\t']);
    for word in words.filter(|word| !word.is_empty()) {
        let width = word.chars().count();
        if !first && column + 1 + width > WIDTH {
            lines.push(indent.clone());
            column = indent.len();
            first = true;
        }
        if let Some(line) = lines.last_mut() {
            if !first {
                line.push(' ');
                column += 1;
            }
            line.push_str(&printable(word));
        }
        column += width;
        first = false;
    }
    lines.into_iter().map(|line| line.trim_end().to_owned())
}

/// Writes these lines.
pub(crate) fn wrapped(out: &mut impl Write, lead: &str, sentence: &str) -> io::Result<()> {
    lines(lead, sentence).try_for_each(|line| writeln!(out, "{line}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_within_the_width() {
        let sentence = "√Hz at 2\u{a0}mV ".repeat(20);
        let broken: Vec<String> = lines("- ", &sentence).collect();
        assert!(broken.len() > 2);
        assert!(broken.iter().all(|line| line.chars().count() <= WIDTH));
        assert!(broken.iter().skip(1).all(|line| line.starts_with("  ")));
        let words: Vec<&str> = broken.iter().flat_map(|l| l.split(' ')).collect();
        assert_eq!(words.iter().filter(|w| **w == "2\u{a0}mV").count(), 20);
        let long = "x".repeat(100);
        assert_eq!(lines("", &long).collect::<Vec<_>>(), [long]);
        assert_eq!(lines("- ", "").collect::<Vec<_>>(), ["-"]);
    }

    #[test]
    fn names_cannot_steer_a_terminal() {
        assert!(lines("", "bad\u{1b}[31m.csv").all(|line| !line.contains('\u{1b}')));
    }
}

//! Escaping for Markdown.

use std::fmt;

/// Escapes text so that nothing in it is markup in Markdown, and keeps it on one line.
#[derive(Debug, Clone, Copy, Default)]
pub struct MarkdownEscaper;

impl askama::filters::Escaper for MarkdownEscaper {
    fn write_escaped_str<W: fmt::Write>(&self, mut out: W, text: &str) -> fmt::Result {
        text.chars()
            .try_for_each(|c| self.write_escaped_char(&mut out, c))
    }

    fn write_escaped_char<W: fmt::Write>(&self, mut out: W, c: char) -> fmt::Result {
        match c {
            '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '|' | '#' | '~' | '!' | '&' | '$' => {
                out.write_char('\\')?;
                out.write_char(c)
            }
            c if c.is_control() => out.write_char(' '),
            c => out.write_char(c),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use askama::filters::Escaper;

    #[test]
    fn markup_and_line_breaks_lose_their_meaning() {
        let mut out = String::new();
        MarkdownEscaper
            .write_escaped_str(&mut out, "a|b\n# <i>[x](y)")
            .unwrap();
        assert_eq!(out, "a\\|b \\# \\<i\\>\\[x\\](y)");
    }
}

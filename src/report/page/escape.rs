//! Escaping for HTML, Markdown and strings of a style sheet.

use crate::si;
use askama::filters::{Escaper, Html};
use std::fmt;

/// Escapes text so that nothing in it is markup in HTML, and binds units to their numbers: no line ends between them.
#[derive(Debug, Clone, Copy, Default)]
pub struct HtmlEscaper;

impl Escaper for HtmlEscaper {
    fn write_escaped_str<W: fmt::Write>(&self, out: W, text: &str) -> fmt::Result {
        Html.write_escaped_str(out, &bound(text))
    }

    fn write_escaped_char<W: fmt::Write>(&self, out: W, c: char) -> fmt::Result {
        Html.write_escaped_char(out, c)
    }
}

/// The text with a no-break space between each number and its unit.
fn bound(text: &str) -> String {
    let mut words = text.split(' ');
    let mut out = words.next().unwrap_or_default().to_owned();
    let mut before_is_number = ends_as_number(&out);
    for word in words {
        let unit = word.trim_end_matches([',', ';', ':', '.', ')', ']']);
        let joint = if before_is_number && si::is_unit(unit) {
            '\u{a0}'
        } else {
            ' '
        };
        out.push(joint);
        out.push_str(&with_minus(word));
        before_is_number = ends_as_number(word);
    }
    out
}

/// A number's sign as it is printed; a range of dates or a name with a hyphen stays.
fn with_minus(word: &str) -> String {
    let number = word.trim_start_matches('(');
    match number.strip_prefix('-') {
        Some(digits) if digits.starts_with(|c: char| c.is_ascii_digit()) => {
            word.replacen('-', "−", 1)
        }
        _ => word.to_owned(),
    }
}

fn ends_as_number(word: &str) -> bool {
    word.ends_with(|c: char| c.is_ascii_digit()) || word.ends_with(']')
}

/// The text as what stands between the quotes of a string in a style sheet.
pub(super) fn style_string(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control())
        .map(|c| match c {
            ' ' => " ".to_owned(),
            c if c.is_ascii_alphanumeric() => c.to_string(),
            c => format!("\\{:x} ", u32::from(c)),
        })
        .collect()
}

/// Escapes text so that nothing in it is markup in Markdown, and keeps it on one line.
#[derive(Debug, Clone, Copy, Default)]
pub struct MarkdownEscaper;

impl Escaper for MarkdownEscaper {
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

    #[test]
    fn markup_and_line_breaks_lose_their_meaning() {
        let mut out = String::new();
        MarkdownEscaper
            .write_escaped_str(&mut out, "a|b\n# <i>[x](y)")
            .unwrap();
        assert_eq!(out, "a\\|b \\# \\<i\\>\\[x\\](y)");
    }

    #[test]
    fn units_stay_with_their_numbers() {
        let bind = |text| bound(text).replace('\u{a0}', "_");
        assert_eq!(
            bind("it lies within 3.1 to 4 mV, 20 dB (95 % interval); 12 captures of 2 s."),
            "it lies within 3.1 to 4_mV, 20_dB (95_% interval); 12 captures of 2_s."
        );
        assert_eq!(
            bind("within -0.1 dB (-0.2 to 0 dB) on 2026-03-14"),
            "within −0.1_dB (−0.2 to 0_dB) on 2026-03-14"
        );
        assert_eq!(bind("1.2 [1.1, 1.3] µV/√Hz"), "1.2 [1.1, 1.3]_µV/√Hz");
    }

    #[test]
    fn a_title_cannot_leave_its_string() {
        assert_eq!(
            style_string("a\";}</style>"),
            "a\\22 \\3b \\7d \\3c \\2f style\\3e "
        );
    }
}

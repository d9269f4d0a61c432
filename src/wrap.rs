//! Text in lines for a terminal.

use crate::printable::{printable, printable_lines};

/// Columns that text takes where no terminal says how many it has.
pub(crate) const WIDTH: usize = 80;

/// Columns that text takes at the least.
pub(crate) const NARROWEST: usize = 40;

/// Blanks before what a row goes on with.
const INDENT: &str = "    ";

/// Characters of a line, blanks at its end left out.
pub(crate) fn columns(line: &str) -> usize {
    line.trim_end().chars().count()
}

/// Lines of a sentence behind a lead, broken between words; all but the first are indented by the lead's
/// width. A word that is longer than the width stands alone on its line.
pub(crate) fn lines(lead: &str, sentence: &str, width: usize) -> impl Iterator<Item = String> {
    let indent = " ".repeat(lead.chars().count());
    let mut lines = vec![lead.to_owned()];
    let mut column = indent.len();
    let mut first = true;
    let words = sentence.split([' ', '\n', '\t']);
    for word in words.filter(|word| !word.is_empty()) {
        let wide = word.chars().count();
        if !first && column + 1 + wide > width {
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
        column += wide;
        first = false;
    }
    lines.into_iter().map(|line| line.trim_end().to_owned())
}

/// A row of cells, each with the blanks that keep its column; where it does not fit, in several lines, all but
/// the first indented. In those only cells that are set to the right keep their blanks; one that is too wide
/// for a line is broken between words.
pub(crate) fn folded(cells: &[String], width: usize) -> Vec<String> {
    let whole = cells.concat();
    if columns(&whole) <= width {
        return vec![whole.trim_end().to_owned()];
    }
    let mut rows: Vec<String> = Vec::new();
    let mut further = String::new();
    for cell in cells.iter().filter(|cell| !cell.trim().is_empty()) {
        let right = cell.starts_with(' ') && !cell.ends_with(' ');
        let joined = if right || rows.is_empty() {
            format!("{further}{cell}")
        } else {
            format!("{}  {}", further.trim_end(), cell.trim())
        };
        if further.is_empty() || columns(&joined) <= width {
            further = joined;
        } else {
            rows.push(further.trim_end().to_owned());
            further = format!("{INDENT}{}", if right { cell } else { cell.trim() });
        }
        if columns(&further) > width && !rows.is_empty() {
            let mut parts: Vec<String> = lines(INDENT, cell, width).collect();
            further = parts.pop().unwrap_or_default();
            rows.extend(parts);
        }
    }
    rows.push(further.trim_end().to_owned());
    rows
}

/// Text that grows line by line within a width.
#[derive(Debug)]
pub(crate) struct Lines {
    text: String,
    width: usize,
    /// Columns that a row of a table may take.
    most: usize,
}

impl Lines {
    /// For a terminal of so many columns. Where there is none, sentences are broken nevertheless, but a row of a table
    /// stays one line however long it is.
    pub fn new(columns: Option<usize>) -> Self {
        let width = columns.unwrap_or(WIDTH).max(NARROWEST);
        Self {
            text: String::new(),
            width,
            most: columns.map_or(usize::MAX, |_| width),
        }
    }

    /// Columns that sentences take.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Whether a row of a table may be so wide.
    pub fn fits(&self, columns: usize) -> bool {
        columns <= self.most
    }

    /// A line as it is.
    pub fn line(&mut self, line: &str) {
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }

    /// A sentence behind a lead, broken between words.
    pub fn sentence(&mut self, lead: &str, sentence: &str) {
        lines(lead, sentence, self.width).for_each(|line| self.line(&line));
    }

    /// A row of a table, folded where it is too wide.
    pub fn row(&mut self, cells: &[String]) {
        for line in folded(cells, self.most) {
            self.line(&line);
        }
    }

    /// A line whose first columns hold a label: where it is too wide it is broken between words, the label's columns
    /// left free.
    pub fn labelled(&mut self, label: usize, line: &str) {
        if self.fits(columns(line)) {
            return self.line(line);
        }
        let at = line
            .char_indices()
            .nth(label)
            .map_or(line.len(), |(i, _)| i);
        let (lead, rest) = line.split_at(at);
        if lead.ends_with(' ') {
            self.sentence(lead, rest);
        } else {
            let rest = line.trim_start();
            let lead = line.len() - rest.len();
            self.sentence(&line[..lead], rest);
        }
    }

    /// What was laid out, without anything that a terminal would obey.
    pub fn into_text(self) -> String {
        printable_lines(&self.text).into_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_within_the_width() {
        let sentence = "√Hz at 2\u{a0}mV ".repeat(20);
        for width in [NARROWEST, 53, WIDTH, 120] {
            let broken: Vec<String> = lines("- ", &sentence, width).collect();
            assert!(broken.len() > 1);
            assert!(broken.iter().all(|line| columns(line) <= width));
            assert!(broken.iter().skip(1).all(|line| line.starts_with("  ")));
            let words: Vec<&str> = broken.iter().flat_map(|l| l.split(' ')).collect();
            assert_eq!(words.iter().filter(|w| **w == "2\u{a0}mV").count(), 20);
        }
        let long = "x".repeat(100);
        let broken: Vec<String> = lines("", &format!("at {long} once"), WIDTH).collect();
        assert_eq!(broken, ["at", long.as_str(), "once"]);
        assert_eq!(lines("- ", "", WIDTH).collect::<Vec<_>>(), ["-"]);
    }

    #[test]
    fn names_cannot_steer_a_terminal() {
        assert!(lines("", "bad\u{1b}[31m.csv", WIDTH).all(|line| !line.contains('\u{1b}')));
        let mut lines = Lines::new(None);
        lines.line("bad\u{1b}[31m.csv");
        assert_eq!(lines.into_text(), "bad\u{fffd}[31m.csv\n");
    }

    #[test]
    fn a_row_folds_between_its_cells() {
        let cells = ["hum       ", " 3.1 mV  ", "  pass     ", "a.csv"].map(String::from);
        assert_eq!(folded(&cells, 80), ["hum        3.1 mV    pass     a.csv"]);
        assert_eq!(
            folded(&cells, 25),
            ["hum        3.1 mV    pass", "    a.csv"]
        );
        assert_eq!(folded(&cells, 20), ["hum        3.1 mV", "    pass  a.csv"]);
        assert_eq!(
            folded(&cells, 10),
            ["hum", "    3.1 mV", "    pass", "    a.csv"]
        );
        assert_eq!(folded(&[], 5), [""]);
        let cells = ["   1.0 mV".to_owned(), "  a.csv, left side".to_owned()];
        assert_eq!(
            folded(&cells, 14),
            ["   1.0 mV", "    a.csv,", "    left side"]
        );
        let cells = ["   1.0 mV", "   3.1 mV"].map(String::from);
        assert_eq!(folded(&cells, 13), ["   1.0 mV", "       3.1 mV"]);
    }

    #[test]
    fn a_table_folds_on_terminals_only() {
        let cells = vec!["x".repeat(100), "  y".into()];
        let rows = |columns| {
            let mut lines = Lines::new(columns);
            lines.row(&cells);
            lines.into_text().lines().count()
        };
        assert_eq!(rows(None), 1);
        assert_eq!(rows(Some(80)), 2);
        assert_eq!(rows(Some(120)), 1);
        assert_eq!(Lines::new(Some(3)).width(), NARROWEST);
    }

    #[test]
    fn a_label_keeps_its_columns() {
        let mut lines = Lines::new(Some(40));
        lines.labelled(
            8,
            "  cells delimiter comma, decimal mark point, nothing else",
        );
        lines.labelled(8, "  time base 1 s, from the file and nothing but the file");
        let text = "  cells delimiter comma, decimal mark\n        point, nothing else\n  time base 1 s, from \
                    the file and\n  nothing but the file\n";
        assert_eq!(lines.into_text(), text);
    }
}

//! A plan as text for a terminal of 80 columns.

use super::Plan;
use crate::report::{si, si_short};
use std::fmt;

pub(super) fn duration(seconds: f64) -> String {
    if seconds < 0.1 {
        format!("{} ms", si(1e3 * seconds, "", 2))
    } else if seconds < 120.0 {
        si(seconds, "s", 3)
    } else if seconds < 7200.0 {
        format!("{} min", si(seconds / 60.0, "", 2))
    } else if seconds < 48.0 * 3600.0 {
        format!("{} h", si(seconds / 3600.0, "", 2))
    } else {
        format!("{} days", si(seconds / 86400.0, "", 2))
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "To resolve {} at {} mains:",
            si(self.resolve_v, "V", 3),
            si_short(self.mains_hz, "Hz")
        )?;
        writeln!(
            f,
            "  record  {}, {} captures of each condition",
            duration(self.record_s),
            self.captures
        )?;
        writeln!(
            f,
            "  rate    {} ({} samples a channel)",
            si_short(self.sample_rate_hz, "Hz"),
            self.frames
        )?;
        writeln!(f, "  range   at least ±{}", si(self.range.needed_v, "V", 3))?;
        writeln!(f, "\nWhy")?;
        for step in &self.steps {
            let value = if step.unit == "s" {
                duration(step.value)
            } else {
                si_short(step.value, &step.unit)
            };
            wrap(
                f,
                &format!("  {:<9}", step.name),
                &format!("{value}: {}.", step.reason),
            )?;
        }
        wrap(f, "  range    ", &self.range.advice)?;
        if !self.notes.is_empty() {
            writeln!(f, "\nNote")?;
        }
        for note in &self.notes {
            wrap(f, "  - ", note)?;
        }
        Ok(())
    }
}

/// Writes `text` behind `head` in lines of at most 80 columns, indented to the head's width.
fn wrap(f: &mut fmt::Formatter<'_>, head: &str, text: &str) -> fmt::Result {
    let indent = head.chars().count();
    let mut column = indent;
    f.write_str(head)?;
    for (index, word) in text.split(' ').enumerate() {
        let width = word.chars().count();
        if index > 0 && column + 1 + width > 80 {
            write!(f, "\n{:indent$}", "")?;
            column = indent;
        } else if index > 0 {
            f.write_str(" ")?;
            column += 1;
        }
        f.write_str(word)?;
        column += width;
    }
    writeln!(f)
}

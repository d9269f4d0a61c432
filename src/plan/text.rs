//! A plan as text for a terminal.

use super::result::Plan;
use crate::si;
use crate::wrap::{Lines, WIDTH};
use std::fmt;

/// What a bench records at a stretch, at the very most.
pub(super) const BENCH_S: f64 = 48.0 * 3600.0;

/// A length of time in words; beyond what a bench does none is told.
pub(super) fn duration(seconds: f64) -> String {
    if seconds < 0.1 {
        format!("{} ms", si::rounded(1e3 * seconds, "", 2))
    } else if seconds < 120.0 {
        si::rounded(seconds, "s", 3)
    } else if seconds < 7200.0 {
        format!("{} min", si::rounded(seconds / 60.0, "", 2))
    } else if seconds < BENCH_S {
        format!("{} h", si::rounded(seconds / 3600.0, "", 2))
    } else {
        "out of reach".into()
    }
}

impl Plan {
    /// The text for a terminal of so many columns, fewer than 40 counted as 40.
    #[must_use]
    pub fn text(&self, columns: usize) -> String {
        let mut lines = Lines::new(Some(columns));
        let resolve = si::rounded(self.resolve_v, "V", 3);
        let mains = si::shortest(self.mains_hz, "Hz");
        let (record, captures) = (duration(self.record_s), self.captures);
        let (rate, frames) = (si::shortest(self.sample_rate_hz, "Hz"), self.frames);
        let range = si::rounded(self.range.needed_v, "V", 3);
        lines.sentence("", &format!("To resolve {resolve} at {mains} mains:"));
        for (name, words) in [
            (
                "record",
                format!("{record}, {captures} captures of each condition"),
            ),
            ("rate", format!("{rate} ({frames} samples a channel)")),
            ("range", format!("at least ±{range}")),
        ] {
            lines.sentence(&format!("  {name:<8}"), &words);
        }
        lines.line("");
        lines.line("Why");
        for step in &self.steps {
            let value = if step.unit == "s" {
                duration(step.value)
            } else {
                si::shortest(step.value, &step.unit)
            };
            let lead = format!("  {:<9}", step.name);
            lines.sentence(&lead, &format!("{value}: {}.", step.reason));
        }
        lines.sentence("  range    ", &self.range.advice);
        if !self.notes.is_empty() {
            lines.line("");
            lines.line("Note");
        }
        for note in &self.notes {
            lines.sentence("  - ", note);
        }
        lines.into_text()
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text(WIDTH))
    }
}

#[cfg(test)]
mod tests {
    use crate::plan::{PlanOptions, plan};
    use crate::wrap::columns;

    #[test]
    fn a_plan_follows_the_terminal() {
        for resolve_v in [1e-6, 1e-12] {
            let plan = plan(&PlanOptions::resolving(resolve_v)).unwrap();
            assert_eq!(plan.text(80), plan.to_string());
            for width in [40, 53, 80, 120] {
                let text = plan.text(width);
                assert!(text.lines().all(|line| columns(line) <= width), "{text}");
            }
        }
    }
}

//! A plan as text for a terminal of 80 columns.

use super::result::Plan;
use crate::si;
use crate::wrap::lines;
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

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let resolve = si::rounded(self.resolve_v, "V", 3);
        let mains = si::shortest(self.mains_hz, "Hz");
        let (record, captures) = (duration(self.record_s), self.captures);
        let (rate, frames) = (si::shortest(self.sample_rate_hz, "Hz"), self.frames);
        let range = si::rounded(self.range.needed_v, "V", 3);
        writeln!(f, "To resolve {resolve} at {mains} mains:")?;
        writeln!(
            f,
            "  record  {record}, {captures} captures of each condition"
        )?;
        writeln!(f, "  rate    {rate} ({frames} samples a channel)")?;
        writeln!(f, "  range   at least ±{range}")?;
        writeln!(f, "\nWhy")?;
        for step in &self.steps {
            let value = if step.unit == "s" {
                duration(step.value)
            } else {
                si::shortest(step.value, &step.unit)
            };
            let lead = format!("  {:<9}", step.name);
            wrap(f, &lead, &format!("{value}: {}.", step.reason))?;
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

fn wrap(f: &mut fmt::Formatter<'_>, head: &str, text: &str) -> fmt::Result {
    lines(head, text).try_for_each(|line| writeln!(f, "{line}"))
}

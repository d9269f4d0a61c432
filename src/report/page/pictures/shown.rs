//! Which captures stand for the conditions in the plots, and which remedies stand in none.

use crate::analysis::Measurement;
use crate::capture::{Condition, Snippet};
use crate::report::plot::{MOST_REMEDIES, Role, Trace};
use crate::session::{CaptureOutcome, SessionResult};
use std::collections::BTreeMap;

/// A capture that stands for its condition.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown<'a> {
    pub measurement: &'a Measurement,
    pub snippet: Option<&'a Snippet>,
}

/// One capture of each condition and remedy: unclipped before clipped, then the longest.
pub(super) fn representatives(result: &SessionResult) -> Vec<Trace<Shown<'_>>> {
    let mut shown = Vec::new();
    for (role, condition) in [
        (Role::Baseline, Condition::Baseline),
        (Role::Looped, Condition::Looped),
    ] {
        let found = best(result, condition, None);
        shown.extend(found.map(|found| Trace::new(role, condition.to_string(), found)));
    }
    for (role, name) in remedies(result) {
        let found = best(result, Condition::Isolated, Some(name));
        shown.extend(found.map(|found| Trace::new(role, name, found)));
    }
    shown
}

fn best<'a>(
    result: &'a SessionResult,
    condition: Condition,
    remedy: Option<&str>,
) -> Option<Shown<'a>> {
    let of_condition = |capture: &&CaptureOutcome| {
        capture.entry.condition == condition
            && (condition != Condition::Isolated || capture.remedy.as_deref() == remedy)
    };
    let captures = result.captures.iter().filter(of_condition);
    let measured = captures.filter_map(|capture| {
        Some(Shown {
            measurement: capture.outcome.as_ref().ok()?,
            snippet: capture.snippet.as_ref(),
        })
    });
    measured.max_by(|a, b| {
        let (a, b) = (a.measurement, b.measurement);
        let unclipped = |m: &Measurement| m.quality.clipped_samples == 0;
        unclipped(a)
            .cmp(&unclipped(b))
            .then(a.duration_s.total_cmp(&b.duration_s))
            .then(std::cmp::Ordering::Greater)
    })
}

/// The remedies that plots can keep apart, best first.
pub(super) fn remedies(result: &SessionResult) -> impl Iterator<Item = (Role, &str)> {
    let names = result.remedies.iter().map(|remedy| remedy.name.as_str());
    names
        .take(MOST_REMEDIES)
        .enumerate()
        .map(|(rank, name)| (Role::Remedy(rank), name))
}

/// Which remedies are not in a plot that shows these, and why; empty where all are.
pub(super) fn not_in_it(
    result: &SessionResult,
    drawn: impl IntoIterator<Item = Role>,
    why: impl Fn(Role) -> &'static str,
) -> String {
    let drawn: Vec<Role> = drawn.into_iter().collect();
    let quoted = |name: &str| format!("\"{name}\"");
    let mut left: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (role, name) in remedies(result).filter(|(role, _)| !drawn.contains(role)) {
        left.entry(why(role)).or_default().push(quoted(name));
    }
    let mut words: String = left
        .iter()
        .map(|(why, names)| format!(" Not in this plot: {} ({why}).", names.join(", ")))
        .collect();
    let further: Vec<String> = result
        .remedies
        .iter()
        .skip(MOST_REMEDIES)
        .map(|remedy| quoted(&remedy.name))
        .collect();
    if !further.is_empty() {
        words.push_str(&format!(
            " Not in any plot: {} (more than {MOST_REMEDIES} remedies could not be told apart; the tables have them).",
            further.join(", ")
        ));
    }
    words
}

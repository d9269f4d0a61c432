//! The lines that are no order, matched between the conditions and between the remedies.

use super::tables::{decibels, reading, unit_of, verdict_words};
use crate::comparison::ComparedLine;
use crate::session::SessionResult;
use crate::si;

/// Lines that the page shows.
const SHOWN: usize = 10;

/// The lines, and how many more there are.
#[derive(Debug, Clone)]
pub(super) struct LinesTable {
    pub lines: Vec<LineGroup>,
    pub further: String,
}

/// One line under every condition.
#[derive(Debug, Clone)]
pub(super) struct LineGroup {
    pub frequency: String,
    pub floor: String,
    pub looped: String,
    pub remedies: Vec<LineRow>,
}

/// One line with one remedy.
#[derive(Debug, Clone)]
pub(super) struct LineRow {
    pub remedy: String,
    pub isolated: String,
    pub improvement: String,
    pub verdict: String,
}

/// A line as the comparison of each remedy (by its rank) has it.
struct Found<'a> {
    hz: f64,
    by_remedy: Vec<(usize, &'a ComparedLine)>,
}

/// The lines of all comparisons; `None` where there is none.
pub(super) fn lines_table(result: &SessionResult) -> Option<LinesTable> {
    let mut found: Vec<Found<'_>> = Vec::new();
    let alone = result
        .loop_comparison
        .as_ref()
        .filter(|_| result.remedies.is_empty());
    let comparisons = result.remedies.iter().map(|remedy| &remedy.comparison);
    for (rank, comparison) in comparisons.chain(alone).enumerate() {
        for line in &comparison.lines {
            let hz = line.frequency_hz.value;
            let near = found
                .iter_mut()
                .filter(|known| known.by_remedy.iter().all(|(other, _)| *other != rank))
                .filter(|known| (known.hz - hz).abs() <= resolution_hz(result))
                .min_by(|a, b| (a.hz - hz).abs().total_cmp(&(b.hz - hz).abs()));
            match near {
                Some(known) => known.by_remedy.push((rank, line)),
                None => found.push(Found {
                    hz,
                    by_remedy: vec![(rank, line)],
                }),
            }
        }
    }
    found.sort_by(|a, b| strongest(b).total_cmp(&strongest(a)));
    if found.is_empty() {
        return None;
    }
    let further = match found.len().saturating_sub(SHOWN) {
        0 => String::new(),
        1 => "One weaker line is not listed; the JSON report has it.".into(),
        more => format!("{more} weaker lines are not listed; the JSON report has them."),
    };
    let lines = found.iter().take(SHOWN).map(|line| group(line, result));
    Some(LinesTable {
        lines: lines.collect(),
        further,
    })
}

/// Two inverse lengths of the shortest record: half the width of a line's peak in a Hann window's spectrum.
fn resolution_hz(result: &SessionResult) -> f64 {
    let measured = result
        .captures
        .iter()
        .filter_map(|c| c.outcome.as_ref().ok());
    2.0 / measured.map(|m| m.duration_s).fold(f64::INFINITY, f64::min)
}

fn strongest(found: &Found<'_>) -> f64 {
    let readings = found.by_remedy.iter().flat_map(|(_, line)| {
        let of = &line.quantity;
        [of.looped, of.isolated, of.baseline]
    });
    readings.flatten().map(|e| e.value).fold(0.0, f64::max)
}

fn group(found: &Found<'_>, result: &SessionResult) -> LineGroup {
    let unit = unit_of(result);
    let first = found.by_remedy.first().map(|(_, line)| &line.quantity);
    let row = |(rank, line): &(usize, &ComparedLine)| {
        let remedy = result.remedies.get(*rank)?;
        Some(LineRow {
            remedy: remedy.name.clone(),
            isolated: reading(line.quantity.isolated, unit),
            improvement: decibels(line.quantity.claimed(line.quantity.improvement_db)),
            verdict: if line.is_new() {
                "new with the remedy".into()
            } else {
                verdict_words(line.quantity.verdict).into()
            },
        })
    };
    LineGroup {
        frequency: si::short(found.hz, "Hz", 5),
        floor: reading(first.and_then(|of| of.baseline), unit),
        looped: reading(first.and_then(|of| of.looped), unit),
        remedies: found.by_remedy.iter().filter_map(row).collect(),
    }
}

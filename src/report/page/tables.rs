//! The tables of the page.

use crate::analysis::EvidenceKind;
use crate::capture::Condition;
use crate::comparison::{
    self, Acceptance, Bounded, ComparedQuantity, Comparison, DecibelRatio, Judgement, Limit,
    Verdict,
};
use crate::quantity::Quantity;
use crate::report::rows::{evidence_remark, told};
use crate::report::{ComparedRow, SHOWN, comparison_rows, line_rows};
use crate::session::{RemedyResult, SessionResult, TestRow};
use crate::si::{self, PrintedEstimate};

/// Rows of the test report under one condition.
#[derive(Debug, Clone)]
pub(super) struct TestGroup {
    pub heading: String,
    pub rows: Vec<TestLine>,
}

/// One row of the test report.
#[derive(Debug, Clone)]
pub(super) struct TestLine {
    pub figure: String,
    pub value: String,
    pub interval: String,
    pub expanded: String,
    pub limit: String,
    pub outcome: &'static str,
    pub class: &'static str,
}

/// What one remedy did.
#[derive(Debug, Clone)]
pub(super) struct RemedyTable {
    pub rank: usize,
    pub name: String,
    pub captures: String,
    pub lines: Vec<RemedyLine>,
    pub sentences: Vec<String>,
}

/// One figure under one remedy.
#[derive(Debug, Clone)]
pub(super) struct RemedyLine {
    pub figure: String,
    pub floor: String,
    pub looped: String,
    pub isolated: String,
    pub improvement: String,
    pub interference: String,
    pub verdict: &'static str,
}

/// One piece of evidence.
#[derive(Debug, Clone)]
pub(super) struct CauseLine {
    pub points_to: &'static str,
    pub finding: String,
    pub next_step: String,
}

const LOOPED: &str = "Looped: loop closed";

/// What stands where nothing is known.
pub(super) fn dash() -> String {
    "–".into()
}

pub(super) fn figure_words(count: usize, one: &str, many: &str) -> String {
    if count == 1 {
        format!("One {one}")
    } else {
        format!("{count} {many}")
    }
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The text as a sentence: a capital first, a stop at the end.
fn sentence(text: &str) -> String {
    let text = capitalised(text.trim());
    if text.ends_with(['.', '!', '?']) {
        text
    } else {
        format!("{text}.")
    }
}

pub(super) fn limits_on(result: &SessionResult) -> Option<String> {
    if result.session.limits.is_empty() {
        return None;
    }
    Some(match result.best() {
        Some(best) => format!(
            "Limits are held against the upper bound with the loop broken; the outcome of the session is that of \"{}\".",
            best.name
        ),
        None => "Limits are held against the upper bound with the loop closed.".into(),
    })
}

pub(super) fn test_groups(result: &SessionResult) -> Vec<TestGroup> {
    let mut groups: Vec<TestGroup> = Vec::new();
    for row in &result.rows {
        let heading = match (row.condition, &row.remedy) {
            (Condition::Baseline, _) => "Baseline: probe shorted".to_owned(),
            (Condition::Looped, _) => LOOPED.to_owned(),
            (Condition::Isolated, Some(remedy)) => format!("Isolated: {remedy}"),
            (Condition::Isolated, None) => "Isolated: loop broken".to_owned(),
        };
        match groups.last_mut() {
            Some(group) if group.heading == heading => group.rows.push(test_line(row)),
            _ => groups.push(TestGroup {
                heading,
                rows: vec![test_line(row)],
            }),
        }
    }
    for remedy in &result.remedies {
        let heading = format!("Isolated: {}", remedy.name);
        let judgements = remedy.judgements.iter();
        let lines = judgements
            .filter(|judgement| judgement.bounded != Bounded::Reading)
            .map(|judgement| reduction_line(Some(&remedy.comparison), judgement));
        add(&mut groups, heading, lines.collect());
    }
    add(&mut groups, LOOPED.to_owned(), loop_reductions(result));
    if result.judgements().is_empty() {
        let limits = result.session.limits.iter();
        let lines = limits.map(|limit| unjudged(limit, result)).collect();
        add(
            &mut groups,
            "Limits without a capture to hold them against".into(),
            lines,
        );
    }
    groups
}

fn add(groups: &mut Vec<TestGroup>, heading: String, rows: Vec<TestLine>) {
    if rows.is_empty() {
        return;
    }
    match groups.iter_mut().find(|group| group.heading == heading) {
        Some(group) => group.rows.extend(rows),
        None => groups.push(TestGroup { heading, rows }),
    }
}

/// Limits on reductions where no remedy can be used: without one they cannot be judged.
fn loop_reductions(result: &SessionResult) -> Vec<TestLine> {
    if result.best().is_some() {
        return Vec::new();
    }
    let judgements = result.loop_judgements.iter();
    judgements
        .filter(|judgement| judgement.bounded != Bounded::Reading)
        .map(|judgement| reduction_line(result.loop_comparison.as_ref(), judgement))
        .collect()
}

/// A limit that nothing can be held against.
fn unjudged(limit: &Limit, result: &SessionResult) -> TestLine {
    let judgement = limit.undecided();
    match judgement.bounded {
        Bounded::Reading => test_line(&TestRow::unmeasured(judgement, unit_of(result))),
        _ => reduction_line(None, &judgement),
    }
}

/// The unit of the channels.
pub(super) fn unit_of(result: &SessionResult) -> &str {
    let mut measured = result
        .captures
        .iter()
        .filter_map(|c| c.outcome.as_ref().ok());
    measured.next().map_or("V", |m| m.unit.as_str())
}

/// A limit on a reduction as a row of the test report.
fn reduction_line(comparison: Option<&Comparison>, judgement: &Judgement) -> TestLine {
    let quantity = comparison.and_then(|comparison| comparison.quantity(judgement.quantity));
    let ratio = quantity.and_then(|quantity| match judgement.bounded {
        Bounded::ExcessReduction => quantity.claimed(quantity.excess_reduction_db),
        _ => quantity.claimed(quantity.improvement_db),
    });
    let (outcome, class) = outcome(judgement.outcome);
    TestLine {
        figure: capitalised(&limit_label(judgement)),
        value: ratio.map_or_else(
            || not_told(quantity.is_some()).into(),
            |ratio| format!("{} dB", tenths(ratio.value)),
        ),
        interval: ratio
            .and_then(|ratio| ratio.interval())
            .map_or_else(String::new, |words| words.replace('-', "−")),
        expanded: String::new(),
        limit: format!("at least {} dB", si::shortest(judgement.limit, "")),
        outcome,
        class,
    }
}

/// What stands in place of a value.
fn not_told(measured: bool) -> &'static str {
    if measured {
        "not resolved"
    } else {
        "not measured"
    }
}

/// What a limit bounds, in words.
pub(super) fn limit_label(judgement: &Judgement) -> String {
    let figure = judgement.quantity.label().into_owned();
    match judgement.bounded {
        Bounded::Reading => figure,
        Bounded::Improvement => format!("improvement of {figure}"),
        Bounded::ExcessReduction => format!("reduction of the interference in {figure}"),
    }
}

fn outcome(acceptance: Acceptance) -> (&'static str, &'static str) {
    match acceptance {
        Acceptance::Pass => ("pass", "pass"),
        Acceptance::Fail => ("FAIL", "fail"),
        Acceptance::Undecided => ("undecided", "undecided"),
    }
}

fn test_line(row: &TestRow) -> TestLine {
    let printed = row
        .reading
        .map(|reading| PrintedEstimate::new(&reading, &row.unit));
    let wide = row
        .expanded
        .map(|wide| PrintedEstimate::new(&wide, &row.unit));
    let (outcome, class) = row.acceptance().map_or(("", ""), outcome);
    TestLine {
        figure: capitalised(&row.quantity.label()),
        value: match (&printed, is_resolved(row)) {
            (Some(printed), true) => format!("{} {}", printed.value, printed.unit),
            (printed, _) => not_told(printed.is_some()).into(),
        },
        interval: printed.as_ref().map_or_else(String::new, range),
        expanded: wide.as_ref().map_or_else(String::new, range),
        limit: row
            .judgement
            .as_ref()
            .map_or_else(String::new, |j| si::shortest(j.limit, &row.unit)),
        outcome,
        class,
    }
}

/// An RMS figure whose interval reaches 0 is not resolved above the noise.
fn is_resolved(row: &TestRow) -> bool {
    row.quantity == Quantity::DcOffset || row.reading.is_some_and(|reading| reading.low > 0.0)
}

fn range(printed: &PrintedEstimate) -> String {
    format!("{} to {} {}", printed.low, printed.high, printed.unit)
}

pub(super) fn decibels(ratio: Option<DecibelRatio>) -> String {
    let words = ratio.and_then(|ratio| ratio.words());
    words.map_or_else(dash, |words| {
        let words = words.replace('-', "−");
        match words.split_once('(') {
            // A line may end before an interval, not within it.
            Some((value, interval)) => format!("{value}({}", interval.replace(' ', "\u{a0}")),
            None => words,
        }
    })
}

pub(super) fn tenths(db: f64) -> String {
    comparison::tenths(db).replace('-', "−")
}

pub(super) fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Improved => "improved",
        Verdict::Worse => "worse",
        Verdict::Unresolved => "not resolved",
        Verdict::AtFloor => "at the floor",
    }
}

pub(super) fn reading(estimate: Option<crate::Estimate>, unit: &str) -> String {
    estimate.map_or_else(dash, |estimate| {
        if estimate.low == 0.0 && estimate.value >= 0.0 {
            format!("below\u{a0}{}", si::rounded(estimate.high, unit, 2))
        } else {
            let printed = PrintedEstimate::new(&estimate, unit);
            format!("{} {}", printed.value, printed.unit)
        }
    })
}

pub(super) fn remedy_tables(result: &SessionResult) -> Vec<RemedyTable> {
    result
        .remedies
        .iter()
        .enumerate()
        .map(|(index, remedy)| remedy_table(index + 1, remedy))
        .collect()
}

fn remedy_table(rank: usize, remedy: &RemedyResult) -> RemedyTable {
    let rows = comparison_rows(&remedy.comparison, SHOWN);
    let lines = line_rows(&remedy.comparison, SHOWN);
    let orders = largest_orders(remedy);
    let shown = |row: &&ComparedRow| match row.compared.name {
        Quantity::Harmonic(_) => orders.contains(&row.compared.name),
        _ => row.prominent,
    };
    let headline = [Quantity::HumRms, Quantity::DcOffset, Quantity::NoiseRms];
    let is_told = |row: &&ComparedRow| row.prominent && headline.contains(&row.compared.name);
    let counts = remedy.comparison.captures;
    RemedyTable {
        rank,
        name: remedy.name.clone(),
        captures: format!(
            "{} baseline, {} looped, {} isolated {}",
            counts.baseline,
            counts.looped,
            counts.isolated,
            if counts.isolated == 1 {
                "capture"
            } else {
                "captures"
            }
        ),
        lines: rows.iter().filter(shown).map(remedy_line).collect(),
        sentences: rows
            .iter()
            .filter(is_told)
            .chain(lines.iter().filter(|row| told(row)))
            .map(|row| capitalised(&row.sentence))
            .collect(),
    }
}

/// The orders with the largest readings with the loop closed.
fn largest_orders(remedy: &RemedyResult) -> Vec<Quantity> {
    const SHOWN: usize = 5;
    let quantities = remedy.comparison.quantities.iter();
    let mut orders: Vec<(f64, Quantity)> = quantities
        .filter(|quantity| matches!(quantity.name, Quantity::Harmonic(_)))
        .filter_map(|quantity| Some((quantity.looped?, quantity.name)))
        .filter(|(looped, _)| looped.low > 0.0)
        .map(|(looped, name)| (looped.value, name))
        .collect();
    orders.sort_by(|a, b| b.0.total_cmp(&a.0));
    orders.truncate(SHOWN);
    orders.into_iter().map(|(_, name)| name).collect()
}

fn remedy_line(row: &ComparedRow) -> RemedyLine {
    let ComparedQuantity { unit, .. } = &row.compared;
    RemedyLine {
        figure: capitalised(&row.label),
        floor: reading(row.compared.baseline, unit),
        looped: reading(row.compared.looped, unit),
        isolated: reading(row.compared.isolated, unit),
        improvement: decibels(row.compared.improvement_db),
        interference: decibels(row.compared.excess_reduction_db),
        verdict: verdict_words(row.compared.verdict),
    }
}

pub(super) fn causes(result: &SessionResult) -> Vec<CauseLine> {
    result
        .evidence
        .iter()
        .map(|item| CauseLine {
            points_to: points_to(item.kind),
            finding: sentence(&evidence_remark(item)),
            next_step: sentence(&item.next_step),
        })
        .collect()
}

fn points_to(kind: EvidenceKind) -> &'static str {
    match kind {
        EvidenceKind::Connection => "What the connection brings",
        EvidenceKind::Conducted => "Current around the loop",
        EvidenceKind::ResistivePath => "A resistive path left",
        EvidenceKind::CapacitiveBarrier => "Capacitance across the barrier",
        EvidenceKind::PickUp => "Pick-up without a loop",
        EvidenceKind::GroundOffset => "Difference of ground potentials",
        EvidenceKind::Induced => "Possibly induction by a changing field",
        EvidenceKind::Rectifier => "Possibly rectifiers",
        EvidenceKind::PhaseCut => "Possibly phase-cut loads",
        EvidenceKind::SwitchingSupply => "Possibly switching supplies",
        EvidenceKind::Motor => "Possibly motors",
    }
}

//! The tables of the page.

use crate::analysis::EvidenceKind;
use crate::capture::Condition;
use crate::comparison::{
    self, Acceptance, Bounded, ComparedQuantity, DecibelRatio, Judgement, SignalErrors, Verdict,
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
    pub unit: String,
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

/// What is left to measure.
#[derive(Debug, Clone)]
pub(super) struct Outlook {
    pub introduction: String,
    pub lines: Vec<OutlookLine>,
    pub collisions: Vec<String>,
}

/// What is left to measure under one condition.
#[derive(Debug, Clone)]
pub(super) struct OutlookLine {
    pub condition: String,
    pub offset: String,
    pub hum: String,
    pub noise: String,
    pub ratio: String,
    pub readable: String,
}

/// One piece of evidence.
#[derive(Debug, Clone)]
pub(super) struct CauseLine {
    pub points_to: &'static str,
    pub finding: String,
    pub next_step: String,
}

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
            (Condition::Looped, _) => "Looped: loop closed".to_owned(),
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
        let lines = remedy
            .judgements
            .iter()
            .filter_map(|judgement| reduction_line(remedy, judgement));
        if let Some(group) = groups.iter_mut().find(|group| group.heading == heading) {
            group.rows.extend(lines);
        }
    }
    groups
}

/// A limit on a reduction as a row of the test report.
fn reduction_line(remedy: &RemedyResult, judgement: &Judgement) -> Option<TestLine> {
    let quantity = remedy.quantity(judgement.quantity)?;
    let ratio = match judgement.bounded {
        Bounded::Reading => return None,
        Bounded::Improvement => quantity.claimed(quantity.improvement_db),
        Bounded::ExcessReduction => quantity.claimed(quantity.excess_reduction_db),
    };
    let (outcome, class) = outcome(judgement.outcome);
    Some(TestLine {
        figure: capitalised(&limit_label(judgement)),
        value: ratio.map_or_else(|| "not resolved".into(), |ratio| tenths(ratio.value)),
        interval: ratio
            .and_then(|ratio| ratio.interval())
            .map_or_else(String::new, |words| {
                words.replace(" dB", "").replace('-', "−")
            }),
        expanded: String::new(),
        unit: "dB".into(),
        limit: format!("at least {} dB", si::shortest(judgement.limit, "")),
        outcome,
        class,
    })
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
    let printed = PrintedEstimate::new(&row.reading, &row.unit);
    let expanded = row.expanded.as_ref().map_or_else(String::new, |wide| {
        let wide = PrintedEstimate::new(wide, &row.unit);
        if wide.unit == printed.unit {
            range(&wide)
        } else {
            format!("{} {}", range(&wide), wide.unit)
        }
    });
    let (outcome, class) = row.acceptance().map_or(("", ""), outcome);
    TestLine {
        figure: capitalised(&row.quantity.label()),
        interval: range(&printed),
        value: if is_resolved(row) {
            printed.value
        } else {
            "not resolved".into()
        },
        expanded,
        unit: printed.unit,
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
    row.quantity == Quantity::DcOffset || row.reading.low > 0.0
}

fn range(printed: &PrintedEstimate) -> String {
    format!("{} to {}", printed.low, printed.high)
}

fn decibels(ratio: Option<DecibelRatio>) -> String {
    let words = ratio.and_then(|ratio| ratio.words());
    words.map_or_else(dash, |words| words.replace('-', "−"))
}

fn tenths(db: f64) -> String {
    comparison::tenths(db).replace('-', "−")
}

fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Improved => "improved",
        Verdict::Worse => "worse",
        Verdict::Unresolved => "not resolved",
        Verdict::AtFloor => "improved to the floor",
    }
}

pub(super) fn reading(estimate: Option<crate::Estimate>, unit: &str) -> String {
    estimate.map_or_else(dash, |estimate| {
        if estimate.low == 0.0 && estimate.value >= 0.0 {
            format!("below {}", si::rounded(estimate.high, unit, 2))
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
            "{} baseline, {} looped, {} isolated captures",
            counts.baseline, counts.looped, counts.isolated
        ),
        lines: rows
            .iter()
            .filter(shown)
            .chain(lines.iter().filter(|row| row.prominent))
            .map(remedy_line)
            .collect(),
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

/// What is left to measure of the wanted signal.
pub(super) fn outlook(result: &SessionResult) -> Option<Outlook> {
    let comparison = result.comparison()?;
    let signal = comparison.signal?;
    let unit = comparison
        .quantities
        .first()
        .map_or("V", |quantity| quantity.unit.as_str());
    let line = |condition: &str, errors: Option<SignalErrors>| {
        let errors = errors?;
        let part = |percent: Option<f64>| {
            percent.map_or_else(dash, |percent| format!("{} %", si::rounded(percent, "", 2)))
        };
        Some(OutlookLine {
            condition: condition.to_owned(),
            offset: part(errors.offset_percent),
            hum: part(errors.hum_percent),
            noise: part(errors.noise_percent),
            ratio: errors
                .signal_to_noise_db
                .map_or_else(dash, |db| format!("{} dB", tenths(db))),
            readable: errors
                .smallest_readable
                .map_or_else(dash, |volts| si::rounded(volts, unit, 2)),
        })
    };
    let broken = result.best().map_or_else(
        || "isolated".to_owned(),
        |best| format!("isolated: {}", best.name),
    );
    Some(Outlook {
        introduction: format!(
            "For a sine of {} peak, to be read to {} %: what offset, hum and noise add to one reading, in parts of the signal; and the smallest amplitude that a single reading gives to that accuracy.",
            si::rounded(signal.amplitude, unit, 3),
            si::shortest(signal.accuracy_percent, "")
        ),
        lines: [
            line("looped", signal.looped),
            line(&broken, signal.isolated),
        ]
        .into_iter()
        .flatten()
        .collect(),
        collisions: collisions(result, comparison.mains_nominal_hz),
    })
}

/// Wanted frequencies that lie on a mains order, a sentence each.
fn collisions(result: &SessionResult, nominal_hz: f64) -> Vec<String> {
    let wanted = result.session.wanted.as_ref();
    let looped = result.measurements(Condition::Looped, None).next();
    comparison::collisions(wanted.map_or(&[], |w| &w.frequency_hz), looped, nominal_hz)
        .iter()
        .map(|collision| {
            format!(
                "The wanted {} lies on order {} of the mains: taking out the harmonics would take it too. Use an interference-only capture as a template or a channel that senses the ground alone.",
                si::shortest(collision.frequency_hz, "Hz"),
                collision.order
            )
        })
        .collect()
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

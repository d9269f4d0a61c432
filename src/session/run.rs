//! From a session to its result.

use super::instrument_error::expanded;
use super::observed;
use super::result::{CaptureOutcome, RemedyResult, SessionResult, TestRow, Trouble, quantity};
use super::{CaptureEntry, Session, loop_verdict};
use crate::analysis::{Evidence, Measurement};
use crate::capture::Condition;
use crate::comparison::Comparison;
use crate::report::Figure;
use crate::stats::Estimate;
use crate::{Error, ErrorKind};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Figures of the test report beside those that have a limit.
const TEST_QUANTITIES: [&str; 3] = ["dc_offset", "hum_rms", "noise_rms"];

type Captures<'a> = BTreeMap<Condition, Vec<Measurement>>;

/// Measures and compares, given how a capture is measured and how conditions are compared.
pub(super) fn run_with(
    session: &Session,
    base: &Path,
    measure: &(dyn Fn(&Path, &CaptureEntry) -> Result<Vec<Measurement>, Error> + Sync),
    compare: &dyn Fn(&Captures<'_>) -> Result<Comparison, Error>,
    progress: &(dyn Fn(&CaptureOutcome) + Sync),
) -> SessionResult {
    let captures: Vec<CaptureOutcome> = session
        .captures
        .par_iter()
        .map(|entry| {
            let outcome = one_capture(session, base, entry, measure);
            progress(&outcome);
            outcome
        })
        .collect();
    let wiring = loop_verdict(&session.setup, &session.remedies);
    let mut result = SessionResult {
        session: session.clone(),
        wiring,
        captures,
        loop_comparison: None,
        remedies: Vec::new(),
        rows: Vec::new(),
        evidence: Vec::new(),
        contradictions: Vec::new(),
        troubles: Vec::new(),
    };
    result.troubles = capture_troubles(&result.captures);
    compare_all(&mut result, compare);
    result.rows = test_rows(&result);
    result.contradictions = result.wiring.contradictions.clone();
    result.contradictions.extend(observed::contradictions(
        &result.wiring,
        result.loop_comparison.as_ref(),
        &result.remedies,
    ));
    result.evidence = evidence(&result);
    result
}

fn one_capture(
    session: &Session,
    base: &Path,
    entry: &CaptureEntry,
    measure: &(dyn Fn(&Path, &CaptureEntry) -> Result<Vec<Measurement>, Error> + Sync),
) -> CaptureOutcome {
    let path = base.join(&entry.file);
    let mut unused_channels = Vec::new();
    let outcome = measure(&path, entry).and_then(|measured| {
        let mut channels = measured.into_iter();
        let first = channels.next();
        unused_channels = channels.map(|other| other.channel).collect();
        first.ok_or_else(|| {
            Error::new(ErrorKind::NoSamples, "the capture holds no channel").in_file(&path)
        })
    });
    CaptureOutcome {
        entry: entry.clone(),
        remedy: session.remedy_of(entry).map(str::to_owned),
        sha256: digest(&path).ok(),
        unused_channels,
        outcome,
    }
}

fn digest(path: &Path) -> std::io::Result<String> {
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut block = vec![0; 1 << 16];
    loop {
        let count = file.read(&mut block)?;
        if count == 0 {
            break;
        }
        hasher.update(block.get(..count).unwrap_or_default());
    }
    Ok(hasher
        .finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect())
}

fn capture_troubles(captures: &[CaptureOutcome]) -> Vec<Trouble> {
    let mut troubles = Vec::new();
    for capture in captures {
        let file = capture.entry.file.as_str();
        match &capture.outcome {
            Err(error) => troubles.push(Trouble::of_error(file, error)),
            Ok(measurement) => {
                troubles.extend(measurement.quality.warnings.iter().map(|warning| {
                    Trouble::of_warning(Some(file), warning.code, &warning.message)
                }));
            }
        }
    }
    troubles
}

fn compare_all(
    result: &mut SessionResult,
    compare: &dyn Fn(&Captures<'_>) -> Result<Comparison, Error>,
) {
    let collect = |condition, remedy: Option<&str>| -> Vec<Measurement> {
        result.measurements(condition, remedy).cloned().collect()
    };
    let mut common = Captures::new();
    for condition in [Condition::Baseline, Condition::Looped] {
        let measured = collect(condition, None);
        if !measured.is_empty() {
            common.insert(condition, measured);
        }
    }
    let mut names: Vec<String> = Vec::new();
    for name in result.captures.iter().filter_map(|c| c.remedy.as_ref()) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    let mut troubles = Vec::new();
    let mut attempt = |captures: &Captures<'_>| -> Option<Comparison> {
        if captures.len() < 2 {
            return None;
        }
        match compare(captures) {
            Ok(comparison) => {
                troubles.extend(
                    comparison
                        .warnings
                        .iter()
                        .map(|w| Trouble::of_warning(None, w.code, &w.message)),
                );
                Some(comparison)
            }
            Err(error) => {
                troubles.push(Trouble {
                    file: None,
                    code: error.kind().as_str().to_owned(),
                    message: error.message_with_position(),
                    lost: true,
                });
                None
            }
        }
    };
    let loop_comparison = attempt(&common);
    let mut remedies: Vec<RemedyResult> = names
        .into_iter()
        .filter_map(|name| {
            let measured = collect(Condition::Isolated, Some(&name));
            if measured.is_empty() {
                return None;
            }
            let mut captures = common.clone();
            captures.insert(Condition::Isolated, measured);
            let comparison = attempt(&captures)?;
            Some(RemedyResult { name, comparison })
        })
        .collect();
    rank(&mut remedies);
    for trouble in troubles {
        if !result.troubles.contains(&trouble) {
            result.troubles.push(trouble);
        }
    }
    result.loop_comparison = loop_comparison;
    result.remedies = remedies;
}

/// Best first: by what can be claimed for the hum, then for the offset, then for the noise.
fn rank(remedies: &mut [RemedyResult]) {
    let claims = |remedy: &RemedyResult| {
        ["hum_rms", "dc_offset", "noise_rms"]
            .map(|name| remedy.claim_db(name).unwrap_or(f64::NEG_INFINITY))
    };
    remedies.sort_by(|a, b| {
        let pairs = claims(b).into_iter().zip(claims(a));
        pairs
            .map(|(b, a)| b.total_cmp(&a))
            .find(|order| order.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal)
    });
}

fn test_rows(result: &SessionResult) -> Vec<TestRow> {
    let mut names: Vec<String> = TEST_QUANTITIES.map(str::to_owned).into();
    for limit in &result.session.limits {
        if !names.contains(&limit.quantity) {
            names.push(limit.quantity.clone());
        }
    }
    let any = result
        .loop_comparison
        .as_ref()
        .or_else(|| result.remedies.first().map(|remedy| &remedy.comparison));
    let mut rows = Vec::new();
    for condition in [Condition::Baseline, Condition::Looped] {
        for name in &names {
            let judged = condition == Condition::Looped && result.remedies.is_empty();
            let reading = any
                .and_then(|comparison| compared(comparison, name, condition))
                .or_else(|| measured(result, name, condition));
            rows.extend(row(result, condition, None, name, reading, judged));
        }
    }
    for remedy in &result.remedies {
        for name in &names {
            let reading = compared(&remedy.comparison, name, Condition::Isolated);
            let remedy = Some(remedy.name.as_str());
            rows.extend(row(
                result,
                Condition::Isolated,
                remedy,
                name,
                reading,
                true,
            ));
        }
    }
    rows
}

fn compared(
    comparison: &Comparison,
    name: &str,
    condition: Condition,
) -> Option<(Estimate, String)> {
    let found = quantity(comparison, name)?;
    let reading = match condition {
        Condition::Baseline => found.baseline,
        Condition::Looped => found.looped,
        Condition::Isolated => found.isolated,
    };
    Some((reading?, found.unit.clone()))
}

/// The reading of a condition's first capture, where nothing stands to compare it with.
fn measured(
    result: &SessionResult,
    name: &str,
    condition: Condition,
) -> Option<(Estimate, String)> {
    let measurement = result.measurements(condition, None).next()?;
    let rows = crate::report::measurement_rows(measurement);
    let row = rows.into_iter().find(|row| row.name == name)?;
    match row.figure {
        Figure::Estimate(estimate) => Some((estimate, row.unit)),
        _ => None,
    }
}

fn row(
    result: &SessionResult,
    condition: Condition,
    remedy: Option<&str>,
    name: &str,
    reading: Option<(Estimate, String)>,
    judged: bool,
) -> Option<TestRow> {
    let limit = result
        .session
        .limits
        .iter()
        .find(|limit| judged && limit.quantity == name);
    let (reading, unit) = reading?;
    let expanded = expanded(&reading, name, &result.session.instrument);
    let judgement =
        limit.map(|limit| limit.judge_figure(Some(Figure::Estimate(expanded.unwrap_or(reading)))));
    Some(TestRow {
        condition,
        remedy: remedy.map(str::to_owned),
        quantity: name.to_owned(),
        unit,
        reading,
        expanded,
        judgement,
    })
}

/// One piece of evidence of each kind, from the looped captures (without them: from any).
fn evidence(result: &SessionResult) -> Vec<Evidence> {
    let mut found: Vec<Evidence> = Vec::new();
    let looped: Vec<&Measurement> = result.measurements(Condition::Looped, None).collect();
    for measurement in looped {
        for item in &measurement.evidence {
            if found.iter().all(|known| known.kind != item.kind) {
                found.push(item.clone());
            }
        }
    }
    if let Some(item) = observed::pick_up(&result.wiring, &result.remedies)
        && found.iter().all(|known| known.kind != item.kind)
    {
        found.push(item);
    }
    found
}

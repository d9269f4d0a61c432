//! From a session to its result.

use super::observed;
use super::result::{CaptureOutcome, RemedyResult, SessionResult, Trouble};
use super::test_rows::{judge, loop_alone, test_rows};
use super::{CaptureEntry, Session, loop_verdict};
use crate::analysis::{Evidence, Measurement, measure};
use crate::capture::{Condition, Coupling};
use crate::comparison::{CommonGround, CompareOptions, Comparison, compare};
use crate::load::{self, LoadOptions};
use crate::{Error, ErrorKind, MeasureOptions, WarningCode};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

type Captures = BTreeMap<Condition, Vec<Measurement>>;
type Measuring<'a> =
    &'a (dyn Fn(&Path, &CaptureEntry, &MeasureOptions) -> Result<Vec<Measurement>, Error> + Sync);
type Comparing<'a> = &'a dyn Fn(&Captures, &CompareOptions) -> Result<Comparison, Error>;

/// How a session is run.
#[derive(Clone, Copy)]
pub struct RunOptions<'a> {
    /// Captures analysed at once; `None`: all cores.
    pub jobs: Option<usize>,
    /// Called after each capture, from whichever thread analysed it.
    pub progress: &'a (dyn Fn(&CaptureOutcome) + Sync),
}

impl Default for RunOptions<'_> {
    fn default() -> Self {
        Self {
            jobs: None,
            progress: &|_| {},
        }
    }
}

/// Measures every capture of a session, compares each remedy with the loop and the floor, ranks the
/// remedies and holds the captures against the wiring.
///
/// Files are sought from `base`, the session file's folder. A capture that cannot be read or analysed
/// is told in its place, the others are reported.
///
/// # Errors
/// `BadOption` where `jobs` is 0 or the threads cannot be had.
pub fn run(
    session: &Session,
    base: &Path,
    options: &RunOptions<'_>,
) -> Result<SessionResult, Error> {
    let work = || {
        run_with(
            session,
            base,
            &|path, entry, measure_options| measure_entry(session, path, entry, measure_options),
            &compare,
            options.progress,
        )
    };
    match options.jobs {
        None => Ok(work()),
        Some(0) => Err(Error::new(
            ErrorKind::BadOption,
            "0 captures at once will not do; it must be at least 1",
        )),
        Some(jobs) => rayon::ThreadPoolBuilder::new()
            .num_threads(jobs)
            .build()
            .map_err(|error| Error::new(ErrorKind::BadOption, error.to_string()))
            .map(|pool| pool.install(work)),
    }
}

/// Measures and compares, given how a capture is measured and how conditions are compared.
pub(super) fn run_with(
    session: &Session,
    base: &Path,
    measure: Measuring<'_>,
    compare: Comparing<'_>,
    progress: &(dyn Fn(&CaptureOutcome) + Sync),
) -> SessionResult {
    let options = session.measure_options();
    let mut captures: Vec<CaptureOutcome> = session
        .captures
        .par_iter()
        .map(|entry| {
            let outcome = one_capture(session, base, entry, measure, &options);
            progress(&outcome);
            outcome
        })
        .collect();
    on_common_ground(session, base, &mut captures, measure, &options);
    let mut result = SessionResult {
        session: session.clone(),
        wiring: loop_verdict(&session.setup, &session.remedies),
        troubles: capture_troubles(&captures),
        captures,
        loop_comparison: None,
        loop_judgements: Vec::new(),
        remedies: Vec::new(),
        rows: Vec::new(),
        evidence: Vec::new(),
        contradictions: Vec::new(),
    };
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

/// Measures again what was not measured in the band and with the orders that all captures share.
fn on_common_ground(
    session: &Session,
    base: &Path,
    captures: &mut [CaptureOutcome],
    measure: Measuring<'_>,
    options: &MeasureOptions,
) {
    let usable = captures.iter().filter_map(|c| c.outcome.as_ref().ok());
    let Some(ground) = CommonGround::of(usable) else {
        return;
    };
    let options = ground.apply(options);
    captures
        .par_iter_mut()
        .filter(|capture| capture.outcome.as_ref().is_ok_and(|m| !ground.holds(m)))
        .for_each(|capture| {
            let entry = capture.entry.clone();
            *capture = one_capture(session, base, &entry, measure, &options);
        });
}

fn one_capture(
    session: &Session,
    base: &Path,
    entry: &CaptureEntry,
    measure: Measuring<'_>,
    options: &MeasureOptions,
) -> CaptureOutcome {
    let path = base.join(&entry.file);
    let mut unused_channels = Vec::new();
    let outcome = measure(&path, entry, options).and_then(|measured| {
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
                // Without a loop, mains that is not found is what one hopes for.
                let expected = |code| {
                    code == WarningCode::MainsNotDetected
                        && capture.entry.condition != Condition::Looped
                };
                let warnings = measurement.quality.warnings.iter();
                troubles.extend(
                    warnings
                        .filter(|warning| !expected(warning.code))
                        .map(|w| Trouble::of_warning(Some(file), w.code, &w.message)),
                );
            }
        }
    }
    troubles
}

fn compare_all(result: &mut SessionResult, compare: Comparing<'_>) {
    let mut names: Vec<&str> = Vec::new();
    for name in result.captures.iter().filter_map(|c| c.remedy.as_deref()) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let mut troubles = Vec::new();
    let loop_comparison = attempt(result, None, compare, &mut troubles);
    let mut remedies: Vec<RemedyResult> = names
        .into_iter()
        .filter(|name| {
            result
                .measurements(Condition::Isolated, Some(name))
                .next()
                .is_some()
        })
        .filter_map(|name| {
            let comparison = attempt(result, Some(name), compare, &mut troubles)?;
            Some(RemedyResult {
                name: name.to_owned(),
                judgements: judge(&result.session.limits, &comparison),
                comparison,
            })
        })
        .collect();
    rank(&mut remedies);
    for trouble in troubles {
        if !result.troubles.contains(&trouble) {
            result.troubles.push(trouble);
        }
    }
    if remedies.is_empty() {
        let alone = loop_comparison.clone().or_else(|| loop_alone(result));
        result.loop_judgements = alone
            .map(|comparison| judge(&result.session.limits, &comparison))
            .unwrap_or_default();
    }
    result.loop_comparison = loop_comparison;
    result.remedies = remedies;
}

/// The loop against the floor, with one remedy or none; `None` where fewer than two conditions have
/// usable captures.
fn attempt(
    result: &SessionResult,
    remedy: Option<&str>,
    compare: Comparing<'_>,
    troubles: &mut Vec<Trouble>,
) -> Option<Comparison> {
    let session = &result.session;
    let mut captures = Captures::new();
    let mut sequence = Vec::new();
    for capture in &result.captures {
        let condition = capture.entry.condition;
        let wanted = condition != Condition::Isolated
            || remedy.is_some() && capture.remedy.as_deref() == remedy;
        if let (true, Ok(measurement)) = (wanted, &capture.outcome) {
            captures
                .entry(condition)
                .or_default()
                .push(measurement.clone());
            sequence.push(condition);
        }
    }
    if captures.len() < 2 {
        return None;
    }
    let options = CompareOptions {
        confidence: session.confidence,
        limits: Vec::new(),
        signal: session.wanted_signal(),
        instrument: session.instrument_limits(),
        sequence,
    };
    match compare(&captures, &options) {
        Ok(comparison) => {
            let warnings = comparison.warnings.iter();
            troubles.extend(warnings.map(|w| Trouble::of_warning(None, w.code, &w.message)));
            troubles.extend(comparison.left_out.iter().map(|left| Trouble {
                file: Some(left.file.clone()),
                code: "left_out".into(),
                message: format!("does not speak of {}: {}", left.figures, left.reason),
                lost: false,
            }));
            Some(comparison)
        }
        Err(error) => {
            troubles.push(Trouble {
                file: error.file().map(|file| file.display().to_string()),
                code: error.kind().as_str().to_owned(),
                message: error.message_with_position(),
                lost: true,
            });
            None
        }
    }
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

/// Opens a capture as the session says it was taken and measures it.
fn measure_entry(
    session: &Session,
    path: &Path,
    entry: &CaptureEntry,
    options: &MeasureOptions,
) -> Result<Vec<Measurement>, Error> {
    let instrument = &session.instrument;
    let load = LoadOptions {
        sample_rate_hz: entry.sample_rate_hz,
        unit: entry.unit.clone(),
        scale: entry.scale.unwrap_or(1.0),
        full_scale_v: entry.full_scale_v.or(instrument.full_scale_v),
        coupling: entry.coupling.or(instrument.coupling),
        ..LoadOptions::default()
    };
    let mut options = options.clone();
    options.channels.extend(entry.channel.clone());
    if load.coupling == Some(Coupling::Ac) {
        options.ac_corner_hz = instrument.ac_corner_hz;
    }
    let mut measured = Vec::new();
    for mut source in load::open(path, &load)? {
        measured.extend(measure(source.as_mut(), &options).map_err(|error| error.in_file(path))?);
    }
    for measurement in &mut measured {
        measurement.file = entry.file.clone();
    }
    Ok(measured)
}

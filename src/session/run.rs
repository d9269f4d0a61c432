//! From a session to its result.

use super::observed;
use super::result::{CaptureOutcome, RemedyResult, SessionResult, Trouble};
use super::test_rows::{loop_alone, test_rows};
use super::{CaptureEntry, Session, loop_verdict};
use crate::analysis::{Measurement, measure};
use crate::capture::{Capture, Condition, Coupling, Snippet, Watched};
use crate::comparison::{CaptureSource, CompareOptions, Comparison, compare, measure_alike};
use crate::fault::contained;
use crate::load::{self, LoadOptions};
use crate::quantity::Quantity;
use crate::{Error, ErrorKind, MeasureOptions, WarningCode, results};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

type Captures = BTreeMap<Condition, Vec<Measurement>>;
type Measuring<'a> =
    &'a (dyn Fn(&Path, &CaptureEntry, &MeasureOptions) -> Result<Vec<Measurement>, Error> + Sync);

/// Told of each capture by its file and, where it failed, why.
type Progress<'a> = &'a (dyn Fn(&str, Option<&Error>) + Sync);

/// How a session is run.
#[derive(Clone, Copy)]
pub struct RunOptions<'a> {
    /// Captures analysed at once, at least 1; `None`: all cores.
    pub jobs: Option<usize>,
    /// Called after each capture, from whichever thread analysed it, with its file as the session names it and its error if
    /// it failed.
    pub progress: Progress<'a>,
}

impl Default for RunOptions<'_> {
    fn default() -> Self {
        Self {
            jobs: None,
            progress: &|_, _| {},
        }
    }
}

/// Measures every capture of a session, compares each remedy with the loop and the floor, ranks the
/// remedies and holds the captures against the wiring.
///
/// Files are sought from `base`, the session file's folder; a file of [results](crate::results) (`.jsonl`) stands for the
/// captures that were measured into it. A capture that cannot be read or analysed is told in its place, the others are
/// reported.
///
/// # Errors
/// `BadOption` where `jobs` is 0 or the threads cannot be had.
pub fn run(
    session: &Session,
    base: &Path,
    options: &RunOptions<'_>,
) -> Result<SessionResult, Error> {
    let work = || {
        let first = FirstSamples::default();
        let measure = |path: &Path, entry: &CaptureEntry, options: &MeasureOptions| {
            measure_entry(session, (path, entry), options, &first)
        };
        let mut result = run_with(session, Some(base), &measure, options.progress);
        first.give(&mut result);
        result
    };
    match options.jobs {
        None => Ok(work()),
        Some(0) => {
            Err(ErrorKind::BadOption.error("0 captures at once will not do; it must be at least 1"))
        }
        Some(jobs) => rayon::ThreadPoolBuilder::new()
            .num_threads(jobs)
            .build()
            .map_err(|error| ErrorKind::BadOption.error(error.to_string()))
            .map(|pool| pool.install(work)),
    }
}

/// The same of captures that are no files: each is measured by a function, given what the session calls it, its
/// condition and how to measure; a failure costs only that capture. The first measurement that the function gives is
/// used. It may be called from several threads at once, and twice of one capture.
///
/// ```
/// use humsieve::session::{Session, run_by};
/// let text = "title = 'Bench'\n[[capture]]\nfile = 'loop'\ncondition = 'looped'";
/// let session = Session::parse(text, "session")?;
/// let result = run_by(&session, |name, _, options| {
///     let samples: Vec<f64> = (0..1000)
///         .map(|n| f64::from(n) / 1000.0)
///         .map(|t| (std::f64::consts::TAU * 50.0 * t).sin() + 0.1 * (1e4 * t * t).sin())
///         .collect();
///     let mut measured = humsieve::measure_samples(&samples, 1000.0, options)?;
///     measured.file = name.to_owned();
///     Ok(vec![measured])
/// });
/// assert!(!result.capture_failed());
/// # Ok::<(), humsieve::Error>(())
/// ```
#[must_use]
pub fn run_by(
    session: &Session,
    measure: impl Fn(&str, Condition, &MeasureOptions) -> Result<Vec<Measurement>, Error> + Sync,
) -> SessionResult {
    let measure = |_: &Path, entry: &CaptureEntry, options: &MeasureOptions| {
        measure(&entry.file, entry.condition, options)
    };
    run_with(session, None, &measure, &|_, _| {})
}

/// Measures and compares, given how a capture is measured; without a `base` no file is looked at.
pub(super) fn run_with(
    session: &Session,
    base: Option<&Path>,
    measure: Measuring<'_>,
    progress: Progress<'_>,
) -> SessionResult {
    let captures = measure_all(session, base, measure, progress);
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
    compare_all(&mut result);
    result.rows = test_rows(&result);
    result.contradictions = result.wiring.contradictions.clone();
    result.contradictions.extend(observed::contradictions(
        &result.wiring,
        result.loop_comparison.as_ref(),
        &result.remedies,
    ));
    result.evidence = observed::evidence(&result);
    result
}

/// Measures every capture, on the ground that all share.
fn measure_all(
    session: &Session,
    base: Option<&Path>,
    measure: Measuring<'_>,
    progress: Progress<'_>,
) -> Vec<CaptureOutcome> {
    let taken: Vec<Taken> = session
        .captures
        .iter()
        .flat_map(|entry| Taken::of(entry, base))
        .collect();
    let mut unused: Vec<Vec<String>> = taken.iter().map(|_| Vec::new()).collect();
    let mut sources: Vec<CaptureSource<'_>> = taken
        .iter()
        .zip(&mut unused)
        .map(|(taken, unused)| {
            let entry = &taken.entry;
            let mut told = false;
            let source = CaptureSource::by(entry.condition, &entry.file, move |options| {
                let measured = match &taken.earlier {
                    Some(earlier) => earlier.clone(),
                    None => contained(|| measure(&taken.path, entry, options)),
                };
                let first = measured.and_then(|channels| first_channel(channels, taken, unused));
                if !std::mem::replace(&mut told, true) {
                    progress(&entry.file, first.as_ref().err());
                }
                first.map(|measurement| vec![measurement])
            });
            match taken.earlier {
                Some(_) => source.once(),
                None => source,
            }
        })
        .collect();
    let outcomes = measure_alike(&mut sources, &session.measure_options());
    drop(sources);
    taken
        .into_par_iter()
        .zip(unused)
        .zip(outcomes)
        .map(|((taken, unused_channels), outcome)| CaptureOutcome {
            remedy: session.remedy_of(&taken.entry).map(str::to_owned),
            sha256: base.and_then(|_| digest(&taken.path).ok()),
            unused_channels,
            outcome: outcome.and_then(|channels| {
                let first = channels.into_iter().next();
                first.ok_or_else(|| no_channel().in_file(&taken.path))
            }),
            entry: taken.entry,
            snippet: None,
        })
        .collect()
}

/// Samples that a picture of a few cycles needs.
const MOST_SAMPLES: usize = 2000;

/// The first samples of the captures by file and channel, kept while they are measured.
#[derive(Default)]
struct FirstSamples(Mutex<BTreeMap<(String, String), Snippet>>);

impl FirstSamples {
    fn keep(&self, file: &str, measured: &[Measurement], first: &Capture) {
        // A poisoned lock costs a picture, nothing else.
        let Ok(mut kept) = self.0.lock() else {
            return;
        };
        for m in measured {
            if let Some(snippet) = Snippet::first_cycles(first, &m.channel, m.mains.nominal_hz) {
                let key = (file.to_owned(), m.channel.clone());
                kept.insert(key, snippet.thinned(MOST_SAMPLES));
            }
        }
    }

    fn give(self, result: &mut SessionResult) {
        let mut kept = self.0.into_inner().unwrap_or_default();
        for capture in &mut result.captures {
            if let Ok(measurement) = &capture.outcome {
                let key = (capture.entry.file.clone(), measurement.channel.clone());
                capture.snippet = kept.remove(&key);
            }
        }
    }
}

/// A capture of the session, or one that was measured earlier and stands in a file of results.
struct Taken {
    entry: CaptureEntry,
    path: PathBuf,
    earlier: Option<Result<Vec<Measurement>, Error>>,
}

impl Taken {
    fn of(entry: &CaptureEntry, base: Option<&Path>) -> Vec<Self> {
        let path = base.unwrap_or(Path::new("")).join(&entry.file);
        let taken = |file: Option<String>, earlier| Self {
            entry: CaptureEntry {
                file: file.unwrap_or_else(|| entry.file.clone()),
                ..entry.clone()
            },
            path: path.clone(),
            earlier,
        };
        if base.is_none() || !results::is_results(&path) {
            return vec![taken(None, None)];
        }
        match results::read(&path) {
            Ok(captures) => captures
                .into_iter()
                .map(|capture| taken(Some(capture.file), Some(capture.outcome)))
                .collect(),
            Err(error) => vec![taken(None, Some(Err(error)))],
        }
    }
}

/// The channel that the entry names (without one the first), and the names of the others.
fn first_channel(
    channels: Vec<Measurement>,
    taken: &Taken,
    unused: &mut Vec<String>,
) -> Result<Measurement, Error> {
    let wanted = taken.entry.channel.as_deref();
    let place = match (&taken.earlier, wanted) {
        (Some(_), Some(name)) => channels
            .iter()
            .position(|m| m.channel == name)
            .or_else(|| name.parse::<usize>().ok()?.checked_sub(1))
            .unwrap_or(usize::MAX),
        _ => 0,
    };
    let mut chosen = None;
    unused.clear();
    for (index, measurement) in channels.into_iter().enumerate() {
        if index == place {
            chosen = Some(measurement);
        } else {
            unused.push(measurement.channel);
        }
    }
    chosen.ok_or_else(|| {
        let error = match wanted {
            Some(name) if !unused.is_empty() => ErrorKind::NoSuchChannel.error(format!(
                "channel '{name}' is not among {}",
                unused.join(", ")
            )),
            _ => no_channel(),
        };
        error.in_file(&taken.path)
    })
}

fn no_channel() -> Error {
    ErrorKind::NoSamples.error("the capture holds no channel")
}

/// Digest of a regular file; a device or a pipe may have no end.
fn digest(path: &Path) -> std::io::Result<String> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
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
    let troubles = |capture: &CaptureOutcome| {
        let file = capture.entry.file.as_str();
        match &capture.outcome {
            Err(error) => vec![Trouble::of_error(Some(file.to_owned()), error)],
            Ok(measurement) => {
                // Without a loop, mains that is not found is what one hopes for.
                let expected = |code| {
                    code == WarningCode::MainsNotDetected
                        && capture.entry.condition != Condition::Looped
                };
                let warnings = measurement.quality.warnings.iter();
                warnings
                    .filter(|warning| !expected(warning.code))
                    .map(|w| Trouble::of_warning(Some(file), w.code, &w.message))
                    .collect()
            }
        }
    };
    captures.iter().flat_map(troubles).collect()
}

fn compare_all(result: &mut SessionResult) {
    let mut names: Vec<&str> = Vec::new();
    for name in result.captures.iter().filter_map(|c| c.remedy.as_deref()) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let usable = |name: &&str| {
        result
            .measurements(Condition::Isolated, Some(name))
            .next()
            .is_some()
    };
    let mut troubles = Vec::new();
    let loop_comparison = attempt(result, None, &mut troubles);
    let mut remedies: Vec<RemedyResult> = names
        .into_iter()
        .filter(usable)
        .filter_map(|name| {
            let comparison = attempt(result, Some(name), &mut troubles)?;
            let effect = result.wiring.remedies.iter().find(|e| e.name == name);
            Some(RemedyResult {
                name: name.to_owned(),
                refused: effect.is_some_and(|e| e.opens_protective_earth),
                judgements: comparison.judge_expanded(&result.session.limits),
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
    if remedies.iter().all(|remedy| remedy.refused) {
        let alone = loop_comparison.clone().or_else(|| loop_alone(result));
        result.loop_judgements = alone
            .map(|comparison| comparison.judge_expanded(&result.session.limits))
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
                message: format!("does not speak of {}: {}", left.quantity, left.why),
                lost: false,
            }));
            Some(comparison)
        }
        Err(error) => {
            let file = error.file().map(|file| file.display().to_string());
            troubles.push(Trouble::of_error(file, &error));
            None
        }
    }
}

/// Best first: by what can be claimed for the hum, then for the offset, then for the noise; what opens a protective earth last.
fn rank(remedies: &mut [RemedyResult]) {
    let claims = |remedy: &RemedyResult| {
        [Quantity::HumRms, Quantity::DcOffset, Quantity::NoiseRms]
            .map(|quantity| remedy.claim_db(quantity).unwrap_or(f64::NEG_INFINITY))
    };
    remedies.sort_by(|a, b| {
        let pairs = claims(b).into_iter().zip(claims(a));
        let by_claim = pairs
            .map(|(b, a)| b.total_cmp(&a))
            .find(|order| order.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal);
        a.refused.cmp(&b.refused).then(by_claim)
    });
}

/// Opens a capture as the session says it was taken and measures it.
fn measure_entry(
    session: &Session,
    (path, entry): (&Path, &CaptureEntry),
    options: &MeasureOptions,
    first: &FirstSamples,
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
        let most = Snippet::frames(source.as_ref());
        let mut watched = Watched::new(source.as_mut(), most);
        let found = measure(&mut watched, &options).map_err(|error| error.in_file(path))?;
        first.keep(&entry.file, &found, &watched.into_capture()?);
        measured.extend(found);
    }
    for measurement in &mut measured {
        measurement.file = entry.file.clone();
    }
    Ok(measured)
}

//! `humsieve measure`.

use super::arguments::request::MeasureRequest;
use super::batch;
use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::input::against::{Against, Changes};
use super::input::follow::Follow;
use super::input::inputs;
use super::input::measured::{count_channels, measurements, pictured};
use super::input::resume::Earlier;
use super::output::files::Guard;
use super::output::picture::Picture;
use crate::analysis::MainsChoice;
use crate::capture::Snippet;
use crate::comparison::Judgement;
use crate::fault::contained;
use crate::load;
use crate::report::{
    Format, MOST_PANELS, MeasuredCapture, MeasuredChannel, MeasurementWriter, Pictured,
    SourceStamp, TextLayout, json_failure, limit_remark, measured_picture, options_digest,
};
use crate::results;
use crate::si;
use crate::wrap::Lines;
use crate::{MeasureOptions, Measurement};
use std::io::Write;
use std::iter;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

pub fn run(request: &MeasureRequest) -> Result<Outcome, Failure> {
    let mut follow = match request.follow {
        true => Some(Follow::begin(&request.captures, request.quiet)?),
        false => None,
    };
    let mut captures = match &mut follow {
        Some(follow) => follow.first(),
        None => inputs::find(&request.captures, request.files_from.as_deref())?,
    };
    if let Some(shard) = request.shard {
        captures = shard.of_inputs(captures);
    }
    if request.explain_input {
        return explain(&captures, request);
    }
    let console = Console::new(request.quiet);
    let work = Work::new(request, &console)?;
    let mut outcome = Outcome::default();
    if let Some(file) = &request.resume {
        console.begin(1, file);
        let earlier = Earlier::read(file)?;
        captures.retain(
            |input| match earlier_outcome(&earlier, input, &work.options) {
                Some(known) => {
                    outcome.capture_failed |= known.capture_failed;
                    outcome.limit_exceeded |= known.limit_exceeded;
                    false
                }
                None => true,
            },
        );
    }
    let picture = picture(request, &captures)?;
    let mut panels: Vec<Pictured> = Vec::new();
    let mut writer = writer(request);
    let stopped = follow.as_ref().map(Follow::stopped);
    let goes_on = || !stopped.as_ref().is_some_and(|s| s.load(Ordering::Relaxed));
    let measure = |input: &inputs::Input| {
        let done = goes_on().then(|| work.measured(input));
        console.advance();
        done
    };
    let mut take = |done: Option<Done>| {
        let Some(done) = done else {
            return Ok(());
        };
        if !request.quiet {
            done.remarks.iter().for_each(|remark| console.say(remark));
        }
        tell(&console, &done.capture, &mut outcome);
        console.giving(|| writer.write(&done.capture))?;
        panels.extend(done.panels());
        Ok::<(), Failure>(())
    };
    let threads = inputs::threads(captures.iter(), request.jobs);
    begin(&console, &captures);
    batch::in_order(&captures, threads, measure, &mut take)?;
    console.finish();
    while let Some(saved) = follow.as_mut().and_then(Follow::next) {
        begin(&console, &saved);
        batch::in_order(&saved, request.jobs, measure, &mut take)?;
        console.finish();
    }
    writer.finish()?;
    if let Some(picture) = picture {
        picture.write(&measured_picture(&panels))?;
    }
    Ok(outcome)
}

/// The results' way out.
fn writer(request: &MeasureRequest) -> MeasurementWriter<impl Write + use<>> {
    MeasurementWriter::new(
        console::results(),
        request.format,
        request.measure.confidence,
        request.measure.harmonics,
    )
    .laid_out(TextLayout {
        show: request.show,
        columns: console::columns(),
    })
    .against(request.against.is_some())
    .judging(!request.limits.is_empty(), console::is_coloured())
}

/// Progress of these captures.
fn begin(console: &Console, captures: &[inputs::Input]) {
    let first = captures.first().map(|input| match input {
        Ok(path) | Err((path, _)) => path.as_path(),
    });
    console.begin(captures.len(), first.unwrap_or(Path::new("")));
}

fn earlier_outcome(earlier: &Earlier, input: &inputs::Input, options: &str) -> Option<Outcome> {
    let path = input.as_ref().ok()?;
    let stamp = SourceStamp::of(path, options)?;
    earlier.outcome(&path.to_string_lossy(), &stamp)
}

/// Errors and exceeded limits, on standard error.
fn tell(console: &Console, capture: &MeasuredCapture, outcome: &mut Outcome) {
    let channels = match &capture.outcome {
        Ok(channels) => channels,
        Err(error) => {
            outcome.capture_failed = true;
            console.error(&capture.file, error);
            return;
        }
    };
    for channel in channels {
        let measurement = &channel.measurement;
        let from = measurement.start_s.map(|start| si::short(start, "s", 6));
        let from = from.map_or_else(String::new, |start| format!(", from {start}"));
        for judgement in channel.limits.iter().filter(|j| !j.passed()) {
            outcome.limit_exceeded = true;
            console.say(&format!(
                "{}, channel {}{from}: {}",
                measurement.file,
                measurement.channel,
                limit_remark(judgement, &measurement.unit)
            ));
        }
    }
}

/// What is done with each capture.
struct Work<'a> {
    request: &'a MeasureRequest,
    against: Option<Against>,
    /// Digest of the settings that the results rest on.
    options: String,
}

/// A capture that was measured, what is to be said beside it, and the first samples of its channels where they
/// are drawn.
struct Done {
    capture: MeasuredCapture,
    remarks: Vec<String>,
    snippets: Vec<Option<Snippet>>,
}

/// The picture, where one is asked for, proved writable and not too small for all channels.
fn picture(
    request: &MeasureRequest,
    captures: &[inputs::Input],
) -> Result<Option<Picture>, Failure> {
    let Some(target) = &request.picture else {
        return Ok(None);
    };
    let files: Vec<PathBuf> = captures
        .iter()
        .filter_map(|input| input.as_ref().ok().cloned())
        .collect();
    let channels = |path: &PathBuf| {
        if inputs::is_standard_input(path) {
            return 1;
        }
        count_channels(path, &request.load, request.measure.channels.len())
    };
    if files.len() > MOST_PANELS || files.iter().map(channels).sum::<usize>() > MOST_PANELS {
        return Err(Failure::Usage(format!(
            "--picture shows up to {MOST_PANELS} channels, and these captures hold more; name fewer captures, or \
             their --channel"
        )));
    }
    let read = request.against.iter().cloned();
    let inputs: Vec<PathBuf> = files.into_iter().chain(read).collect();
    let guard = Guard {
        inputs: &inputs,
        force: request.force,
    };
    Picture::prove(target, &guard).map(Some)
}

impl Done {
    /// What is drawn of it, without copies where nothing is.
    fn panels(self) -> impl Iterator<Item = Pictured> {
        let channels = self.capture.outcome.unwrap_or_default().into_iter();
        channels
            .zip(self.snippets)
            .map(|(channel, snippet)| Pictured {
                measurement: channel.measurement,
                snippet,
            })
    }
}

impl<'a> Work<'a> {
    fn new(request: &'a MeasureRequest, console: &Console) -> Result<Self, Failure> {
        let mut options = format!(
            "{:?} {:?} {:?}",
            request.load, request.measure, request.limits
        );
        if let Some(file) = &request.against {
            options.push_str(&format!(" {:?} {:?}", file, SourceStamp::of(file, "")));
        }
        let read = |file: &PathBuf| {
            console.begin(1, file);
            Against::read(file, &request.load, &request.measure)
        };
        Ok(Self {
            request,
            against: request.against.as_ref().map(read).transpose()?,
            options: options_digest(&options),
        })
    }

    fn measured(&self, input: &inputs::Input) -> Done {
        let (load, measure) = (&self.request.load, &self.request.measure);
        let path = match input {
            Ok(path) => path,
            Err((path, error)) => {
                return Done {
                    capture: MeasuredCapture::new(path.to_string_lossy(), Err(error.clone())),
                    remarks: Vec::new(),
                    snippets: Vec::new(),
                };
            }
        };
        // Before the file is read: what changes meanwhile is measured again.
        let stamp = SourceStamp::of(path, &self.options);
        let mut remarks = Vec::new();
        let mut snippets = Vec::new();
        let found = if self.request.picture.is_some() {
            pictured(path, load, measure).map(|channels| {
                let parts = channels.into_iter().map(|c| (c.measurement, c.snippet));
                let (found, drawn): (_, Vec<_>) = parts.unzip();
                snippets = drawn;
                found
            })
        } else {
            measurements(path, load, measure)
        };
        let outcome = found.map(|found| {
            let found = with_other_mains(found, path, self.request);
            let again = |options: &MeasureOptions| measurements(path, load, options);
            let against = self.against.as_ref();
            let told = against.map_or_else(Changes::default, |against| {
                against.changes(path, &found, measure, again)
            });
            remarks = told.remarks;
            let changes = told.changes.into_iter().chain(iter::repeat(None));
            found
                .into_iter()
                .zip(changes)
                .map(|(measurement, change)| MeasuredChannel {
                    limits: self.judged(&measurement),
                    measurement,
                    change,
                })
                .collect()
        });
        Done {
            capture: MeasuredCapture::new(path.to_string_lossy(), outcome).stamped(stamp),
            remarks,
            snippets,
        }
    }

    fn judged(&self, measurement: &Measurement) -> Vec<Judgement> {
        let limits = self.request.limits.iter();
        limits.map(|l| l.judge_measurement(measurement)).collect()
    }
}

/// Lines for a later comparison hold the hum of a capture without mains at 50 and at 60 Hz: what it is
/// compared with decides which of them counts.
fn with_other_mains(
    mut found: Vec<Measurement>,
    path: &Path,
    request: &MeasureRequest,
) -> Vec<Measurement> {
    let wanted = request.format == Format::Jsonl
        && request.measure.mains == MainsChoice::Auto
        && request.measure.every_s.is_none()
        && !inputs::is_standard_input(path);
    if !wanted {
        return found;
    }
    for nominal in [50.0, 60.0] {
        let lacks =
            |m: &Measurement| !m.mains.detected && (m.mains.nominal_hz - nominal).abs() > 0.1;
        if !found.iter().any(lacks) {
            continue;
        }
        let options = MeasureOptions {
            mains: MainsChoice::Nominal(nominal),
            ..request.measure.clone()
        };
        let again = measurements(path, &request.load, &options).unwrap_or_default();
        for m in found.iter_mut().filter(|m| lacks(m)) {
            let same = again.iter().find(|other| other.channel == m.channel);
            m.other_mains = same.map(|other| Box::new(other.mains.clone()));
        }
    }
    found
}

/// Columns of the labels of an explanation.
const EXPLAINED: usize = 16;

fn explain(captures: &[inputs::Input], request: &MeasureRequest) -> Result<Outcome, Failure> {
    let console = Console::new(request.quiet);
    begin(&console, captures);
    let mut out = console::results();
    let mut outcome = Outcome::default();
    let json = request.format == Format::Jsonl;
    for input in captures {
        let (path, explanation) = match input {
            Ok(path) => (path, contained(|| load::explain(path, &request.load))),
            Err((path, error)) => (path, Err(error.clone())),
        };
        console.advance();
        let file = path.to_string_lossy();
        if let Err(error) = &explanation {
            outcome.capture_failed = true;
            console.error(&file, error);
        }
        console.giving(|| {
            match explanation {
                Ok(explanation) if json => results::write(&mut out, &explanation)?,
                Ok(explanation) => {
                    let mut lines = Lines::new(console::columns());
                    for line in explanation.to_string().lines() {
                        lines.labelled(EXPLAINED, line);
                    }
                    lines.line("");
                    out.write_all(lines.into_text().as_bytes())?;
                }
                Err(error) if json => json_failure(&mut out, &file, &error)?,
                Err(_) => {}
            }
            out.flush()
        })?;
    }
    Ok(outcome)
}

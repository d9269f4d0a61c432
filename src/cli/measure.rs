//! `humsieve measure`.

use super::arguments::request::MeasureRequest;
use super::batch;
use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::input::inputs;
use super::input::resume::Earlier;
use humsieve::analysis::{self, MainsChoice};
use humsieve::fault::contained;
use humsieve::load::{self, LoadOptions};
use humsieve::printable::printable_lines;
use humsieve::report::{
    Format, MeasuredCapture, MeasurementWriter, SourceStamp, json_failure, json_line, limit_remark,
    options_digest,
};
use humsieve::{Error, MeasureOptions, Measurement};
use std::io::Write;
use std::path::Path;

pub fn run(request: &MeasureRequest) -> Result<Outcome, Failure> {
    let mut captures = inputs::find(&request.captures, request.files_from.as_deref())?;
    if let Some(shard) = request.shard {
        captures = shard.of_inputs(captures);
    }
    if request.explain_input {
        return explain(&captures, request);
    }
    let options = options_digest(&format!(
        "{:?} {:?} {:?}",
        request.load, request.measure, request.limits
    ));
    let mut outcome = Outcome::default();
    if let Some(file) = &request.resume {
        let earlier = Earlier::read(file)?;
        captures.retain(|input| match earlier_outcome(&earlier, input, &options) {
            Some(known) => {
                outcome.capture_failed |= known.capture_failed;
                outcome.limit_exceeded |= known.limit_exceeded;
                false
            }
            None => true,
        });
    }
    let console = Console::new(request.quiet, captures.len());
    let mut writer = MeasurementWriter::new(
        console::results(),
        request.format,
        request.measure.confidence,
        request.measure.harmonics,
    )
    .showing(request.show);
    batch::in_order(
        &captures,
        inputs::threads(captures.iter(), request.jobs),
        |input| measured(input, request, &options),
        |capture: MeasuredCapture| {
            console.advance();
            tell(&console, &capture, &mut outcome);
            writer.write(&capture).map_err(Failure::from)
        },
    )?;
    console.finish();
    writer.finish()?;
    Ok(outcome)
}

fn earlier_outcome(earlier: &Earlier, input: &inputs::Input, options: &str) -> Option<Outcome> {
    let path = input.as_ref().ok()?;
    let stamp = SourceStamp::of(path, options)?;
    earlier.outcome(&path.to_string_lossy(), &stamp)
}

/// Errors and exceeded limits, on standard error.
fn tell(console: &Console, capture: &MeasuredCapture, outcome: &mut Outcome) {
    let measurements = match &capture.outcome {
        Ok(measurements) => measurements,
        Err(error) => {
            outcome.capture_failed = true;
            console.error(&capture.file, error);
            return;
        }
    };
    for (measurement, judgements) in measurements {
        for judgement in judgements.iter().filter(|j| !j.passed()) {
            outcome.limit_exceeded = true;
            console.say(&format!(
                "{}, channel {}: {}",
                measurement.file,
                measurement.channel,
                limit_remark(judgement, &measurement.unit)
            ));
        }
    }
}

fn measured(input: &inputs::Input, request: &MeasureRequest, options: &str) -> MeasuredCapture {
    // Before the file is read: what changes meanwhile is measured again.
    let stamp = input
        .as_ref()
        .ok()
        .and_then(|path| SourceStamp::of(path, options));
    let (path, outcome) = match input {
        Ok(path) => {
            let found = measurements(path, &request.load, &request.measure);
            (
                path,
                found.map(|found| with_other_mains(found, path, request)),
            )
        }
        Err((path, error)) => (path, Err(error.clone())),
    };
    let judged = outcome.map(|measurements| {
        measurements
            .into_iter()
            .map(|measurement| {
                let limits = request.limits.iter();
                let judgements = limits.map(|l| l.judge_measurement(&measurement)).collect();
                (measurement, judgements)
            })
            .collect()
    });
    MeasuredCapture::new(path.to_string_lossy(), judged).stamped(stamp)
}

/// Every measurement of one capture; a fault of the program in it costs no other.
pub fn measurements(
    path: &Path,
    load_options: &LoadOptions,
    options: &MeasureOptions,
) -> Result<Vec<Measurement>, Error> {
    contained(|| {
        let mut measurements = Vec::new();
        for mut source in load::open(path, load_options)? {
            measurements.extend(analysis::measure(source.as_mut(), options)?);
        }
        Ok(measurements)
    })
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

fn explain(captures: &[inputs::Input], request: &MeasureRequest) -> Result<Outcome, Failure> {
    let console = Console::new(true, 0);
    let mut out = console::results();
    let mut outcome = Outcome::default();
    let json = request.format == Format::Jsonl;
    for input in captures {
        let (path, explanation) = match input {
            Ok(path) => (path, contained(|| load::explain(path, &request.load))),
            Err((path, error)) => (path, Err(error.clone())),
        };
        match explanation {
            Ok(explanation) if json => json_line(&mut out, &explanation)?,
            Ok(explanation) => {
                writeln!(out, "{}", printable_lines(&explanation.to_string()))?;
            }
            Err(error) => {
                outcome.capture_failed = true;
                let file = path.to_string_lossy();
                console.error(&file, &error);
                if json {
                    json_failure(&mut out, &file, &error)?;
                }
            }
        }
    }
    out.flush()?;
    Ok(outcome)
}

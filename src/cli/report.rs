//! `humsieve report`.

use super::arguments::request::PageFormat;
use super::arguments::typed::ReportArguments;
use super::console::Console;
use super::failure::{Failure, Outcome};
use super::output::files::{Guard, Outputs, folder, unwritable};
use crate::report::{Page, write_json};
use crate::session::{RunOptions, Session, SessionResult, run as run_session};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

pub fn run(request: &ReportArguments, format: PageFormat) -> Result<Outcome, Failure> {
    let console = Console::new(request.quiet);
    let session = read(&request.session, &console)?;
    let mut inputs: Vec<PathBuf> = session
        .captures
        .iter()
        .map(|capture| folder(&request.session).join(&capture.file))
        .collect();
    inputs.push(request.session.clone());
    let guard = Guard {
        inputs: &inputs,
        force: request.force,
    };
    let mut outputs = Outputs::prove(&request.output, &guard)?;
    console.begin(session.captures.len(), &request.session);
    let result = run_session(
        &session,
        folder(&request.session),
        &RunOptions {
            jobs: request.jobs,
            progress: &|_, _| console.advance(),
        },
    )?;
    write(&result, (request, format), &mut outputs, &guard)?;
    outputs.keep()?;
    console.finish();
    Ok(told(&result, &console))
}

/// Writes the report and, for Markdown, the pictures beside it.
fn write(
    result: &SessionResult,
    (request, format): (&ReportArguments, PageFormat),
    outputs: &mut Outputs,
    guard: &Guard<'_>,
) -> Result<(), Failure> {
    let failed = |error: io::Error| unwritable(&request.output, &error);
    let mut text = Vec::new();
    match format {
        PageFormat::Html => Page::new(result).write_html(&mut text).map_err(failed)?,
        PageFormat::Json => write_json(result, &mut text).map_err(failed)?,
        PageFormat::Markdown => {
            let page = Page::new(result);
            let prefix = format!("{}-", stem(&request.output));
            page.write_markdown(&prefix, &mut text).map_err(failed)?;
            for plot in page.plots() {
                let beside = request
                    .output
                    .with_file_name(format!("{prefix}{}.svg", plot.name));
                let temporary = outputs.beside(&beside, guard)?;
                fs::write(temporary, &plot.svg).map_err(|error| unwritable(&beside, &error))?;
            }
        }
    }
    fs::write(outputs.path(), text).map_err(failed)
}

/// Longest session file that is read.
const SESSION_BYTES: u64 = 16 << 20;

/// The text of a session file, which must be a regular file: another may have no end.
fn text(path: &Path) -> Result<String, Failure> {
    let unusable = |reason: &str| {
        Failure::Usage(format!(
            "the session file '{}' cannot be read: {reason}",
            path.display()
        ))
    };
    let file = fs::metadata(path).map_err(|error| unusable(&error.to_string()))?;
    if !file.is_file() {
        return Err(unusable("it is no regular file"));
    }
    if file.len() > SESSION_BYTES {
        return Err(unusable("it is longer than 16 MiB; is it a session file?"));
    }
    fs::read_to_string(path).map_err(|error| unusable(&error.to_string()))
}

/// Every mistake of the session file is told before it is given up.
fn read(path: &Path, console: &Console) -> Result<Session, Failure> {
    let text = text(path)?;
    let mistakes = Session::mistakes(&text, path);
    if let Some((last, others)) = mistakes.split_last() {
        for mistake in others {
            console.say(&mistake.to_string());
        }
        return Err(Failure::Usage(last.to_string()));
    }
    Session::parse(&text, path).map_err(|error| Failure::Usage(error.to_string()))
}

fn told(result: &SessionResult, console: &Console) -> Outcome {
    let mut outcome = Outcome {
        limit_exceeded: result.limits_met() == Some(false),
        capture_failed: false,
    };
    for capture in &result.captures {
        if let Err(error) = &capture.outcome {
            outcome.capture_failed = true;
            console.error(&capture.entry.file, error);
        }
    }
    if outcome.limit_exceeded {
        console.say("not every acceptance limit is met; the report says which");
    }
    outcome
}

fn stem(output: &Path) -> String {
    let stem: PathBuf = output.file_stem().map(PathBuf::from).unwrap_or_default();
    stem.to_string_lossy().into_owned()
}

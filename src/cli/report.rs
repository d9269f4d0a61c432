//! `humsieve report`.

use super::console::Console;
use super::failure::{Failure, Outcome};
use super::output::OutputFile;
use super::request::{PageFormat, ReportRequest};
use humsieve::report::page::{Page, write_json};
use humsieve::session::{RunOptions, Session, SessionResult, run as run_session};
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

pub fn run(request: &ReportRequest) -> Result<Outcome, Failure> {
    let output = OutputFile::prove(&request.output)?;
    let console = Console::new(request.quiet, 0);
    let session = read(&request.session, &console)?;
    let console = Console::new(request.quiet, session.captures.len());
    let result = run_session(
        &session,
        folder(&request.session),
        &RunOptions {
            jobs: request.jobs,
            progress: &|_, _| console.advance(),
        },
    )?;
    console.finish();

    let mut writer = BufWriter::new(File::create(output.path())?);
    match request.format {
        PageFormat::Html => Page::new(&result).write_html(&mut writer)?,
        PageFormat::Json => write_json(&result, &mut writer)?,
        PageFormat::Markdown => {
            let page = Page::new(&result);
            let prefix = format!("{}-", stem(&request.output));
            page.write_markdown(&prefix, &mut writer)?;
            for plot in page.plots() {
                let beside = request
                    .output
                    .with_file_name(format!("{prefix}{}.svg", plot.name));
                let file = OutputFile::prove(&beside)?;
                fs::write(file.path(), &plot.svg)?;
                file.keep()?;
            }
        }
    }
    writer.flush()?;
    drop(writer);
    output.keep()?;
    Ok(told(&result, &console))
}

/// Every mistake of the session file is told before it is given up.
fn read(path: &Path, console: &Console) -> Result<Session, Failure> {
    let text = fs::read_to_string(path).map_err(|error| {
        Failure::Usage(format!(
            "the session file '{}' cannot be read: {error}",
            path.display()
        ))
    })?;
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

fn folder(session: &Path) -> &Path {
    match session.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

fn stem(output: &Path) -> String {
    let stem: PathBuf = output.file_stem().map(PathBuf::from).unwrap_or_default();
    stem.to_string_lossy().into_owned()
}

//! `humsieve session`.

use super::arguments::typed::SessionArguments;
use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::output::files::{Guard, Outputs, folder, unwritable};
use crate::fault::contained;
use crate::load::{self, LoadOptions};
use crate::session::{DraftCapture, draft};
use std::fs;
use std::io::Write;
use std::path::{Component, Path, PathBuf};

pub fn run(request: &SessionArguments) -> Result<Outcome, Failure> {
    let found = load::find_captures(&request.folder)?;
    let output = request
        .output
        .as_deref()
        .map(|output| prove(output, &found, request.force))
        .transpose()?;
    let console = Console::new(request.quiet);
    console.begin(found.len(), &request.folder);
    let mut outcome = Outcome::default();
    let home = home(request);
    let captures: Vec<DraftCapture> = found
        .iter()
        .filter(|path| {
            let nameable = path.to_str().is_some();
            if !nameable {
                outcome.capture_failed = true;
                console.say(&format!(
                    "{}: a session file is UTF-8 and cannot hold this name; rename the capture",
                    path.display()
                ));
            }
            nameable
        })
        .collect::<Vec<_>>()
        .into_iter()
        .map(|path| {
            let header = match contained(|| load::open(path, &LoadOptions::default())) {
                Ok(sources) => sources.first().map(|source| source.header().clone()),
                Err(error) => {
                    outcome.capture_failed = true;
                    console.error(&path.to_string_lossy(), &error);
                    None
                }
            };
            console.advance();
            DraftCapture::new(relative(path, &home), header)
        })
        .collect();
    let text = draft(&captures);
    console.finish();
    match output {
        Some(output) => {
            fs::write(output.path(), text).map_err(|error| unwritable(output.target(), &error))?;
            output.keep()?;
        }
        None => {
            let mut out = console::results();
            out.write_all(text.as_bytes())?;
            out.flush()?;
        }
    }
    Ok(outcome)
}

/// What was filled in by hand in an earlier draft is not to be lost.
fn prove(output: &Path, captures: &[PathBuf], force: bool) -> Result<Outputs, Failure> {
    if output.is_file() && !force {
        return Err(Failure::Usage(format!(
            "the session file '{}' exists; name another, or give --force to lose what is in it",
            output.display()
        )));
    }
    Outputs::prove(
        output,
        &Guard {
            inputs: captures,
            force,
        },
    )
}

/// The folder that the session file will stand in; on standard output, that of the captures.
fn home(request: &SessionArguments) -> PathBuf {
    match &request.output {
        Some(output) => folder(output).to_path_buf(),
        None => request.folder.clone(),
    }
}

/// The path as seen from a folder, with `/` between folders.
fn relative(path: &Path, folder: &Path) -> String {
    let whole = |path: &Path| fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let (path, folder) = (whole(path), whole(folder));
    let (path, folder): (Vec<Component>, Vec<Component>) =
        (path.components().collect(), folder.components().collect());
    let shared = path.iter().zip(&folder).take_while(|(a, b)| a == b).count();
    let up = folder.iter().skip(shared).map(|_| "..".to_owned());
    let down = path
        .iter()
        .skip(shared)
        .map(|part| part.as_os_str().to_string_lossy().into_owned());
    up.chain(down).collect::<Vec<_>>().join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_named_from_the_session_file() {
        let seen = |path: &str, folder: &str| relative(Path::new(path), Path::new(folder));
        assert_eq!(seen("/no/such/bench/a.csv", "/no/such/bench"), "a.csv");
        assert_eq!(seen("/no/such/bench/x/a.csv", "/no/such/bench"), "x/a.csv");
        assert_eq!(
            seen("/no/such/bench/a.csv", "/no/such/out/now"),
            "../../bench/a.csv"
        );
    }
}

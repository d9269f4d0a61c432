//! `humsieve compare`.

use super::arguments::request::CompareRequest;
use super::batch;
use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::input::inputs;
use super::input::measured::measurements;
use super::output::files::Guard;
use super::output::picture::Picture;
use crate::comparison::{CaptureSource, compare_captures};
use crate::report::{SourceStamp, TextLayout, compared_picture, write_comparison};
use crate::{Condition, Error, ErrorKind, results};
use std::path::{Path, PathBuf};

pub fn run(request: &CompareRequest) -> Result<Outcome, Failure> {
    let captures = find(request)?;
    let picture = picture(request, &captures)?;
    let console = Console::new(request.quiet);
    console.begin(captures.len(), Path::new("comparison"));
    let threads = inputs::threads(captures.iter().map(|(_, input)| input), request.jobs);
    let sources: Vec<CaptureSource<'_>> = captures
        .iter()
        .flat_map(|(condition, input)| sources(*condition, input, request, &console))
        .collect();
    let names: Vec<String> = sources.iter().map(|s| s.name().to_owned()).collect();
    let compared = batch::on_threads(threads, || {
        compare_captures(sources, &request.measure, &request.compare)
    });
    console.finish();

    let mut outcome = Outcome::default();
    for (index, error) in &compared.failed {
        outcome.capture_failed = true;
        console.error(&names[*index], error);
    }
    let comparison = match compared.comparison {
        Ok(comparison) => comparison,
        Err(error) if outcome.capture_failed => {
            console.say(&error.to_string());
            return Ok(outcome);
        }
        Err(error) => return Err(error.into()),
    };
    outcome.limit_exceeded = !comparison.passed();
    write_comparison(
        &mut console::results(),
        request.format,
        &comparison,
        TextLayout {
            show: request.show,
            columns: console::columns(),
        },
    )?;
    if let Some(picture) = picture {
        picture.write(&compared_picture(&comparison, &compared.measurements))?;
    }
    Ok(outcome)
}

fn picture(
    request: &CompareRequest,
    captures: &[(Condition, inputs::Input)],
) -> Result<Option<Picture>, Failure> {
    let inputs: Vec<PathBuf> = captures
        .iter()
        .filter_map(|(_, input)| input.as_ref().ok().cloned())
        .collect();
    let guard = Guard {
        inputs: &inputs,
        force: request.force,
    };
    let prove = |target: &PathBuf| Picture::prove(target, &guard);
    request.picture.as_ref().map(prove).transpose()
}

/// A capture, or those that stand measured in a file of results. Standard input cannot be read twice.
fn sources<'a>(
    condition: Condition,
    input: &'a inputs::Input,
    request: &'a CompareRequest,
    console: &'a Console,
) -> Vec<CaptureSource<'a>> {
    let name = |path: &Path| path.to_string_lossy().into_owned();
    let path = match input {
        Ok(path) => path,
        Err((path, error)) => {
            return vec![CaptureSource::measured(
                condition,
                name(path),
                Err(error.clone()),
            )];
        }
    };
    if results::is_results(path) {
        return match results::read(path) {
            Ok(captures) => captures
                .into_iter()
                .map(|capture| CaptureSource::measured(condition, capture.file, capture.outcome))
                .collect(),
            Err(error) => vec![CaptureSource::measured(condition, name(path), Err(error))],
        };
    }
    let mut told = false;
    let mut first_reading: Option<Option<SourceStamp>> = None;
    let source = CaptureSource::by(condition, name(path), move |options| {
        let stamp = SourceStamp::of(path, "");
        let same = *first_reading.get_or_insert_with(|| stamp.clone()) == stamp;
        let outcome = if same {
            measurements(path, &request.load, options)
        } else {
            Err(changed(path))
        };
        if !std::mem::replace(&mut told, true) {
            console.advance();
        }
        outcome
    });
    vec![if inputs::is_standard_input(path) {
        source.once()
    } else {
        source
    }]
}

/// A capture is read again where all are measured on common ground; it must be the same then.
fn changed(path: &Path) -> Error {
    ErrorKind::Unreadable
        .error("the file changed between two readings; compare again when it is complete")
        .in_file(path)
}

fn find(request: &CompareRequest) -> Result<Vec<(Condition, inputs::Input)>, Failure> {
    let standard_input = request
        .captures
        .iter()
        .flat_map(|(_, named)| named)
        .filter(|path| inputs::is_standard_input(path))
        .count();
    if standard_input > 1 {
        return Err(Failure::Usage(
            "standard input (-) can be read only once".into(),
        ));
    }
    let mut captures = Vec::new();
    for (condition, named) in &request.captures {
        let found = inputs::find(named, None)?;
        captures.extend(found.into_iter().map(|input| (*condition, input)));
    }
    Ok(captures)
}

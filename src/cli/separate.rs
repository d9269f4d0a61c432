//! `humsieve separate`.

use super::console;
use super::failure::{Failure, Outcome};
use super::output::{Guard, Outputs};
use super::request::SeparateRequest;
use humsieve::capture::FrameSource;
use humsieve::fault::contained;
use humsieve::load::{self, LoadOptions};
use humsieve::report::{json_failure, json_line, write_separation};
use humsieve::separation::{FileSink, Separation, separate};
use humsieve::{Error, ErrorKind};
use std::io::Write;
use std::path::{Path, PathBuf};

pub fn run(request: &SeparateRequest) -> Result<Outcome, Failure> {
    let file = request.capture.to_string_lossy();
    let mut out = console::results();
    match written(request) {
        Ok(separations) => {
            for mut separation in separations {
                separation.output = request.output.to_string_lossy().into_owned();
                if request.json {
                    json_line(&mut out, &separation)?;
                } else {
                    write_separation(&mut out, &separation)?;
                }
            }
            out.flush()?;
            Ok(Outcome::default())
        }
        Err(Failure::File(error)) => {
            if request.json {
                json_failure(&mut out, &file, &error)?;
                out.flush()?;
            }
            let place = match error.kind() {
                ErrorKind::Unwritable => &request.output,
                _ => &request.capture,
            };
            Err(Failure::File(error.in_file(place)))
        }
        Err(other) => Err(other),
    }
}

/// The separations, their file in its place.
fn written(request: &SeparateRequest) -> Result<Vec<Separation>, Failure> {
    let inputs: Vec<PathBuf> = [Some(&request.capture), request.template.as_ref()]
        .into_iter()
        .flatten()
        .cloned()
        .collect();
    let guard = Guard {
        inputs: &inputs,
        force: request.force,
    };
    let output = Outputs::prove(&request.output, &guard)?;
    let separations = contained(|| separated(request, output.path()))
        .map_err(|error| error.moved(output.path(), &request.output))?;
    output.keep()?;
    Ok(separations)
}

fn separated(request: &SeparateRequest, output: &Path) -> Result<Vec<Separation>, Error> {
    let mut source = only_record(&request.capture, &request.load)?;
    let mut template = request
        .template
        .as_deref()
        .map(|path| only_record(path, &request.load))
        .transpose()?;
    let template = template
        .as_mut()
        .map(|source| source.as_mut() as &mut dyn FrameSource);
    let mut sink = FileSink::new(output)?;
    separate(source.as_mut(), template, &request.separate, &mut sink)
}

/// The one record of a file: one result cannot hold several.
fn only_record(path: &Path, options: &LoadOptions) -> Result<Box<dyn FrameSource>, Error> {
    let mut records = load::open(path, options)?;
    match (records.pop(), records.len()) {
        (Some(record), 0) => Ok(record),
        (_, others) => Err(Error::new(
            ErrorKind::UnsupportedFormat,
            format!(
                "the file holds {} records; put each into a file of its own to separate it",
                others + 1
            ),
        )
        .in_file(path)),
    }
}

//! `humsieve separate`.

use super::arguments::request::SeparateRequest;
use super::console::{self, Console};
use super::drawing::drawn;
use super::failure::{Failure, Outcome};
use super::output::files::{Guard, Outputs};
use crate::capture::FrameSource;
use crate::fault::contained;
use crate::load::{self, LoadOptions};
use crate::report::{TextLayout, json_failure, write_separation};
use crate::results;
use crate::separation::{FileSink, HumTrack, SeparateOptions, Separation, separate};
use crate::{Error, ErrorKind};
use serde::Serialize;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A separation whose components went to several files.
#[derive(Serialize)]
struct Told<'a> {
    #[serde(flatten)]
    separation: &'a Separation,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    components: &'a [Component],
}

/// A component and its file.
#[derive(Serialize)]
struct Component {
    keep: &'static str,
    output: String,
}

impl Component {
    fn words(&self) -> String {
        format!("{} ({})", self.output, self.keep)
    }
}

pub fn run(request: &SeparateRequest) -> Result<Outcome, Failure> {
    let file = request.capture.to_string_lossy();
    let mut out = console::results();
    let console = Console::new(request.quiet);
    console.begin(1, &request.capture);
    let separations = written(request);
    console.finish();
    match separations {
        Ok(separations) => {
            tell(&mut out, request, separations)?;
            out.flush()?;
            Ok(Outcome::default())
        }
        Err(Failure::File(error)) => {
            if request.json {
                json_failure(&mut out, &file, &error)?;
                out.flush()?;
            }
            Err(Failure::File(error.in_file(&request.capture)))
        }
        Err(other) => Err(other),
    }
}

/// What was done of each channel, on standard output.
fn tell(
    out: &mut impl Write,
    request: &SeparateRequest,
    separations: Vec<Separation>,
) -> Result<(), Failure> {
    let several = request.outputs.len() > 1;
    let components: Vec<Component> = request
        .outputs
        .iter()
        .filter(|_| several)
        .map(|(keep, output)| Component {
            keep: keep.as_str(),
            output: output.to_string_lossy().into_owned(),
        })
        .collect();
    for separation in separations {
        let mut separation = match request.ac_corner_hz {
            Some(corner) => separation.before_coupling(corner),
            None => separation,
        };
        if request.json {
            separation.output = request.first().to_string_lossy().into_owned();
            separation.track = HumTrack::default();
            let separation = &separation;
            let components = &components;
            results::write(
                out,
                &Told {
                    separation,
                    components,
                },
            )?;
        } else {
            separation.output = match components.as_slice() {
                [] => request.first().to_string_lossy().into_owned(),
                all => all
                    .iter()
                    .map(Component::words)
                    .collect::<Vec<_>>()
                    .join(", "),
            };
            let layout = TextLayout {
                columns: console::columns(),
                ..TextLayout::default()
            };
            write_separation(out, &separation, layout)?;
        }
    }
    Ok(())
}

/// The separations, their files in their places.
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
    let mut outputs = Outputs::prove(request.first(), &guard)?;
    let mut paths = vec![outputs.path().to_path_buf()];
    for (_, target) in request.outputs.iter().skip(1) {
        paths.push(outputs.beside(target, &guard)?);
    }
    let picture = request.picture.as_deref();
    let picture = picture.map(|target| outputs.beside(target, &guard));
    let picture = picture.transpose()?;
    let separations = contained(|| separated(request, &paths, picture.as_deref()))?;
    outputs.keep()?;
    Ok(separations)
}

/// Every component in turn, each by a reading of its own: the record may be larger than the memory.
fn separated(
    request: &SeparateRequest,
    paths: &[PathBuf],
    picture: Option<&Path>,
) -> Result<Vec<Separation>, Error> {
    let mut source = only_record(&request.capture, &request.load)?;
    let mut template = request
        .template
        .as_deref()
        .map(|path| only_record(path, &request.load))
        .transpose()?;
    let mut first = None;
    for ((keep, target), path) in request.outputs.iter().zip(paths) {
        let template = template
            .as_mut()
            .map(|source| source.as_mut() as &mut dyn FrameSource);
        let options = SeparateOptions {
            keep: *keep,
            ..request.separate.clone()
        };
        let found = FileSink::new(path)
            .and_then(|mut sink| separate(source.as_mut(), template, &options, &mut sink))
            .map_err(|error| match error.kind() {
                ErrorKind::Unwritable => error.moved(path, target).in_file(target),
                _ => error,
            })?;
        first.get_or_insert(found);
    }
    if let (Some(path), Some(target)) = (picture, &request.picture) {
        let template = template
            .as_mut()
            .map(|source| source.as_mut() as &mut dyn FrameSource);
        let sheet = drawn(request, source.as_mut(), template)?;
        fs::write(path, sheet.svg()).map_err(|error| {
            let message = format!("the picture cannot be written: {error}");
            ErrorKind::Unwritable.error(message).in_file(target)
        })?;
    }
    Ok(first.unwrap_or_default())
}

/// The one record of a file: one result cannot hold several.
fn only_record(path: &Path, options: &LoadOptions) -> Result<Box<dyn FrameSource>, Error> {
    let mut records = load::open(path, options)?;
    match (records.pop(), records.len()) {
        (Some(record), 0) => Ok(record),
        (_, others) => Err(ErrorKind::UnsupportedFormat
            .error(format!(
                "the file holds {} records; put each into a file of its own to separate it",
                others + 1
            ))
            .in_file(path)),
    }
}

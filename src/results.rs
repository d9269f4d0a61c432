//! Results as lines of JSON, read back: what [`measure`](crate::measure()) found on one machine or day,
//! for a comparison on another.

use crate::analysis::Measurement;
use crate::{Error, ErrorKind};
use serde::Deserialize;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// Version of the lines that are written, and the latest that is read.
pub const SCHEMA: u64 = 1;

/// Longest line that is read, bytes.
const LONGEST_LINE: u64 = 1 << 26;

/// Whether a path names lines of results rather than a capture: it ends in `.jsonl`.
#[must_use]
pub(crate) fn is_results(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("jsonl"))
}

/// A capture that was measured earlier.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct EarlierCapture {
    /// The capture as it was named.
    pub file: String,
    /// A measurement for each channel, or why there is none.
    pub outcome: Result<Vec<Measurement>, Error>,
}

/// Reads the lines that `measure` wrote. Lines that follow each other with one file name are the channels
/// of one capture.
///
/// # Errors
/// `NotFound` and `Unreadable` of the file; `UnsupportedFormat` where a line is of a later
/// [`SCHEMA`], of none, or a stretch of a record; `BadValue` with the line where one is no result of a
/// measurement; `NoSamples` where there is none.
pub fn read(path: &Path) -> Result<Vec<EarlierCapture>, Error> {
    if std::fs::metadata(path).is_ok_and(|file| !file.is_file()) {
        return Err(ErrorKind::Unreadable
            .error("is no regular file; copy its lines to one")
            .in_file(path));
    }
    let file = File::open(path).map_err(|error| unopened(&error).in_file(path))?;
    let mut lines = BufReader::new(file);
    let mut captures: Vec<EarlierCapture> = Vec::new();
    let mut line = Vec::new();
    for number in 1.. {
        line.clear();
        let count = lines
            .by_ref()
            .take(LONGEST_LINE)
            .read_until(b'\n', &mut line)
            .map_err(|error| unopened(&error).in_file(path))?;
        if count == 0 {
            break;
        }
        if line.trim_ascii().is_empty() {
            continue;
        }
        let (file, outcome) = parse(&line).map_err(|error| error.at_line(number).in_file(path))?;
        match (captures.last_mut(), outcome) {
            (
                Some(EarlierCapture {
                    file: last,
                    outcome: Ok(channels),
                }),
                Ok(measurement),
            ) if *last == file && channels.iter().all(|m| m.channel != measurement.channel) => {
                channels.push(measurement);
            }
            (_, outcome) => captures.push(EarlierCapture {
                file,
                outcome: outcome.map(|measurement| vec![measurement]),
            }),
        }
    }
    if captures.is_empty() {
        return Err(ErrorKind::NoSamples
            .error("the file holds no result")
            .in_file(path));
    }
    Ok(captures)
}

/// What is read before the rest: whether the rest can be.
#[derive(Deserialize)]
struct Head {
    schema: Option<u64>,
    file: Option<String>,
    error: Option<Reason>,
    start_s: Option<f64>,
}

#[derive(Deserialize)]
struct Reason {
    kind: String,
    message: String,
}

fn parse(line: &[u8]) -> Result<(String, Result<Measurement, Error>), Error> {
    let unsupported = |message: String| Err(ErrorKind::UnsupportedFormat.error(message));
    let head: Head = serde_json::from_slice(line).map_err(|error| unread(&error))?;
    match head.schema {
        Some(1..=SCHEMA) => {}
        Some(later) => {
            return unsupported(format!(
                "the line is of schema {later}; this version reads up to {SCHEMA}: read it with the \
                 version that wrote it, or a later one"
            ));
        }
        None => {
            return unsupported(
                "the line has no \"schema\": it lacks what a comparison needs; measure the capture \
                 again with --format jsonl"
                    .into(),
            );
        }
    }
    if let Some(reason) = head.error {
        let kind = ErrorKind::from_name(&reason.kind).unwrap_or(ErrorKind::Unreadable);
        let error = kind.error(reason.message);
        let file = head.file.unwrap_or_default();
        return Ok((file.clone(), Err(error.in_file(file))));
    }
    if head.start_s.is_some() {
        return unsupported(
            "the line is a stretch of a record; measure whole records, without --every".into(),
        );
    }
    serde_json::from_slice(line)
        .map(|measurement: Measurement| (measurement.file.clone(), Ok(measurement)))
        .map_err(|error| unread(&error))
}

fn unread(error: &serde_json::Error) -> Error {
    ErrorKind::BadValue
        .error(format!(
            "the line is no result of a measurement ({error}); delete it or measure again"
        ))
        .at_column(error.column() as u64)
}

fn unopened(error: &std::io::Error) -> Error {
    ErrorKind::of_reading(error).error(error.to_string())
}

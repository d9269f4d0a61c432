//! Results of an earlier run that need not be had again.

use crate::cli::failure::{Failure, Outcome};
use crate::cli::identity::Identity;
use crate::report::SourceStamp;
use crate::results::SCHEMA;
use serde::Deserialize;
use std::collections::HashMap;
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader};
use std::path::Path;

/// Kinds of errors that may be gone the next time, though the file is the same.
const PASSING: [&str; 3] = ["not_found", "unreadable", "internal"];

/// A line as `measure` writes it, as far as it matters here.
#[derive(Deserialize)]
struct Line {
    schema: Option<u64>,
    file: String,
    error: Option<Problem>,
    #[serde(default)]
    limits: Vec<Limit>,
    source: Option<Source>,
}

#[derive(Deserialize)]
struct Problem {
    kind: String,
}

#[derive(Deserialize)]
struct Limit {
    outcome: String,
}

#[derive(Deserialize)]
struct Source {
    #[serde(flatten)]
    stamp: SourceStamp,
    line: u64,
    lines: u64,
}

/// What became of one capture.
#[derive(Debug)]
struct Done {
    stamp: SourceStamp,
    outcome: Outcome,
}

/// The captures that an earlier run has done, by name.
#[derive(Debug, Default)]
pub struct Earlier(HashMap<String, Vec<Done>>);

impl Earlier {
    /// Reads the lines that an earlier run wrote; there may be none yet.
    ///
    /// Lines of a capture that did not get all of its own are left out, as is a last line without its end.
    /// Where the results of this run go to the same file, they are cut off, so that it can be appended to.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let unusable = |reason: String| {
            Failure::Usage(format!(
                "the earlier results '{}' cannot be used: {reason}",
                path.display()
            ))
        };
        let file = match File::open(path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(unusable(error.to_string())),
        };
        if !file.metadata().is_ok_and(|file| file.is_file()) {
            return Err(unusable("it is no regular file".into()));
        }
        let mut earlier = Self::default();
        let (sound, length) = earlier.take(BufReader::new(file)).map_err(unusable)?;
        if sound < length && Identity::of(path) == Identity::of_standard_output() {
            fs::OpenOptions::new()
                .write(true)
                .open(path)
                .and_then(|file| file.set_len(sound))
                .map_err(|error| unusable(error.to_string()))?;
        }
        Ok(earlier)
    }

    /// Bytes up to the end of the last capture that is complete, and all bytes.
    fn take(&mut self, mut lines: impl BufRead) -> Result<(u64, u64), String> {
        let (mut sound, mut at) = (0, 0);
        let mut outcome = Outcome::default();
        let mut text = Vec::new();
        for number in 1_u64.. {
            text.clear();
            let count = lines
                .read_until(b'\n', &mut text)
                .map_err(|error| error.to_string())?;
            at += count as u64;
            if text.pop() != Some(b'\n') {
                break;
            }
            let line: Line = serde_json::from_slice(&text)
                .map_err(|_| format!("line {number} is no result of measure; delete it"))?;
            if line.schema.is_some_and(|schema| schema > SCHEMA) {
                return Err(format!("line {number} was written by a later version"));
            }
            let Some(source) = line.source else {
                sound = at;
                continue;
            };
            if source.line == 1 {
                outcome = Outcome::default();
            }
            outcome.capture_failed |= line.error.is_some();
            outcome.limit_exceeded |= line.limits.iter().any(|limit| limit.outcome != "pass");
            if source.line < source.lines {
                continue;
            }
            sound = at;
            let passing = |error: &Problem| PASSING.contains(&error.kind.as_str());
            if !line.error.as_ref().is_some_and(passing) {
                self.0.entry(line.file).or_default().push(Done {
                    stamp: source.stamp,
                    outcome,
                });
            }
        }
        Ok((sound, at))
    }

    /// What became of this capture, if it was the same and measured in the same way.
    pub fn outcome(&self, file: &str, stamp: &SourceStamp) -> Option<Outcome> {
        let done = self.0.get(file)?;
        done.iter()
            .find(|done| done.stamp == *stamp)
            .map(|done| done.outcome)
    }
}

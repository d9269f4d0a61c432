//! One JSON object a line: the results as they are, an unknown as `null`.

use super::format::MeasuredCapture;
use crate::Error;
use crate::comparison::Judgement;
use crate::results::SCHEMA;
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct Judged<'a, T> {
    #[serde(flatten)]
    result: &'a T,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    limits: &'a [Judgement],
}

#[derive(Serialize)]
struct Failed<'a> {
    file: &'a str,
    error: Reason<'a>,
}

#[derive(Serialize)]
struct Reason<'a> {
    kind: &'a str,
    message: String,
}

pub(super) fn measured_capture(out: &mut impl Write, capture: &MeasuredCapture) -> io::Result<()> {
    match &capture.outcome {
        Ok(measurements) => measurements.iter().try_for_each(|(measurement, limits)| {
            json_line(
                out,
                &Judged {
                    result: measurement,
                    limits,
                },
            )
        }),
        Err(error) => json_failure(out, &capture.file, error),
    }
}

/// The object that stands in the place of a result that could not be had.
///
/// # Errors
/// Those of the output.
pub fn json_failure(out: &mut impl Write, file: &str, error: &Error) -> io::Result<()> {
    json_line(
        out,
        &Failed {
            file,
            error: Reason {
                kind: error.kind().as_str(),
                message: error.message_with_position(),
            },
        },
    )
}

#[derive(Serialize)]
struct Line<'a, T> {
    schema: u64,
    #[serde(flatten)]
    result: &'a T,
}

/// Any result as one line of JSON, led by its [`SCHEMA`]; what is not finite becomes `null`.
///
/// # Errors
/// Those of the output.
pub fn json_line(out: &mut impl Write, value: &impl Serialize) -> io::Result<()> {
    let line = Line {
        schema: SCHEMA,
        result: value,
    };
    serde_json::to_writer(&mut *out, &line)?;
    out.write_all(b"\n")
}

//! One JSON object a line: the results as they are, an unknown as `null`.

use crate::Error;
use crate::analysis::Measurement;
use crate::comparison::{Change, Judgement};
use crate::printable::escaped;
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::stamp::SourceStamp;
use crate::results;
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct Judged<'a, T> {
    #[serde(flatten)]
    result: T,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    limits: &'a [Judgement],
    #[serde(skip_serializing_if = "Option::is_none")]
    against: Option<&'a Change>,
    #[serde(skip_serializing_if = "Option::is_none")]
    source: Option<Source<'a>>,
}

/// What a line rests on, and which of its capture's lines it is.
#[derive(Serialize)]
struct Source<'a> {
    #[serde(flatten)]
    stamp: &'a SourceStamp,
    line: usize,
    lines: usize,
}

#[derive(Serialize)]
struct Failed<'a> {
    file: &'a str,
    error: Error,
    #[serde(skip_serializing_if = "Option::is_none")]
    source: Option<Source<'a>>,
}

pub(super) fn measured_capture(out: &mut impl Write, capture: &MeasuredCapture) -> io::Result<()> {
    let source = |line, lines| {
        let stamp = capture.stamp.as_ref()?;
        Some(Source { stamp, line, lines })
    };
    match &capture.outcome {
        Ok(channels) => {
            let lines = channels.len();
            channels
                .iter()
                .enumerate()
                .try_for_each(|(index, channel)| {
                    results::write(out, &judged(channel, source(index + 1, lines)))
                })
        }
        Err(error) => {
            let (file, source) = (capture.file.as_str(), source(1, 1));
            let error = error.without_file();
            results::write(
                out,
                &Failed {
                    file,
                    error,
                    source,
                },
            )
        }
    }
}

fn judged<'a>(channel: &'a MeasuredChannel, source: Option<Source<'a>>) -> Judged<'a, Measurement> {
    Judged {
        result: channel.measurement.without_curves(),
        limits: &channel.limits,
        against: channel.change.as_ref(),
        source,
    }
}

/// The object that stands in the place of a result that could not be had.
///
/// # Errors
/// Those of the output.
pub fn json_failure(out: &mut impl Write, file: &str, error: &Error) -> io::Result<()> {
    let (source, error) = (None, error.without_file());
    results::write(
        out,
        &Failed {
            file,
            error,
            source,
        },
    )
}

/// Any result as indented JSON, closed by a line end.
pub(in crate::report) fn json_page(out: &mut impl Write, value: &impl Serialize) -> io::Result<()> {
    let mut page = escaped(serde_json::to_string_pretty(value)?);
    page.push('\n');
    out.write_all(page.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::printable::is_obeyed;

    #[test]
    fn names_in_json_cannot_steer_a_terminal() {
        let name = "a\u{1b}[31m\u{9b}2J\u{7f}\n\"b\u{202e}c";
        let value = serde_json::json!({"name": name});
        let mut out = Vec::new();
        results::write(&mut out, &value).unwrap();
        json_page(&mut out, &value).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(!text.contains(|c| c != '\n' && is_obeyed(c)), "{text:?}");
        let (line, page) = text.split_once('\n').unwrap();
        for json in [line, page] {
            let read: serde_json::Value = serde_json::from_str(json).unwrap();
            assert_eq!(read["name"], name);
        }
    }
}

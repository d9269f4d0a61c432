//! The report as JSON, for other programs.

use super::summary::{cautions, summary};
use crate::Error;
use crate::analysis::{Evidence, Measurement};
use crate::comparison::{Comparison, Judgement};
use crate::report::format::json_page;
use crate::session::{CaptureEntry, LoopVerdict, Session, SessionResult, TestRow, Trouble};
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct Report<'a> {
    schema: u64,
    program: &'static str,
    version: &'static str,
    hazards: &'a [String],
    summary: Vec<String>,
    session: &'a Session,
    wiring: &'a LoopVerdict,
    contradictions: &'a [String],
    captures: Vec<Capture<'a>>,
    loop_comparison: Option<&'a Comparison>,
    remedies: Vec<Remedy<'a>>,
    test_report: &'a [TestRow],
    limits_met: Option<bool>,
    evidence: &'a [Evidence],
    troubles: &'a [Trouble],
    not_covered: Vec<String>,
    cautions: Vec<String>,
}

#[derive(Serialize)]
struct Capture<'a> {
    #[serde(flatten)]
    entry: &'a CaptureEntry,
    sha256: Option<&'a str>,
    unused_channels: &'a [String],
    measurement: Option<Measurement>,
    error: Option<Error>,
}

#[derive(Serialize)]
struct Remedy<'a> {
    rank: usize,
    name: &'a str,
    opens_protective_earth: bool,
    comparison: &'a Comparison,
    limits: &'a [Judgement],
}

/// Writes the report of a session as one JSON object over several lines; numbers that are not finite become `null`.
///
/// # Errors
/// Those of the output.
pub fn write_json(result: &SessionResult, out: &mut impl Write) -> io::Result<()> {
    let report = Report {
        program: "humsieve",
        schema: crate::results::SCHEMA,
        version: env!("CARGO_PKG_VERSION"),
        hazards: &result.wiring.hazards,
        summary: summary(result),
        session: &result.session,
        wiring: &result.wiring,
        contradictions: &result.contradictions,
        captures: result
            .captures
            .iter()
            .map(|capture| Capture {
                entry: &capture.entry,
                sha256: capture.sha256.as_deref(),
                unused_channels: &capture.unused_channels,
                measurement: capture
                    .outcome
                    .as_ref()
                    .ok()
                    .map(Measurement::without_curves),
                error: capture.outcome.as_ref().err().map(Error::without_file),
            })
            .collect(),
        loop_comparison: result.loop_comparison.as_ref(),
        remedies: result
            .remedies
            .iter()
            .enumerate()
            .map(|(index, remedy)| Remedy {
                rank: index + 1,
                name: &remedy.name,
                opens_protective_earth: remedy.refused,
                comparison: &remedy.comparison,
                limits: &remedy.judgements,
            })
            .collect(),
        test_report: &result.rows,
        limits_met: result.limits_met(),
        evidence: &result.evidence,
        troubles: &result.troubles,
        not_covered: super::method::not_covered(result),
        cautions: cautions(result),
    };
    json_page(out, &report)
}

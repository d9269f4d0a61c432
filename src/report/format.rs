//! The formats of measurements and comparisons on standard output.

use super::acceptance::Judgement;
use super::{csv, jsonl, markdown, text};
use crate::Error;
use crate::analysis::Measurement;
use crate::comparison::Comparison;
use std::io::{self, Write};

/// What a report is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Format {
    /// Tables and sentences for a terminal of 80 columns.
    #[default]
    Text,
    /// One JSON object a line.
    Jsonl,
    /// One row a channel (or a quantity), for a spreadsheet.
    Csv,
    /// Tables for a document.
    Markdown,
}

/// What came of one capture.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct MeasuredCapture {
    /// The capture as the user named it.
    pub file: String,
    /// A measurement for each channel (and stretch), each with its limits judged; or the error.
    pub outcome: Result<Vec<(Measurement, Vec<Judgement>)>, Error>,
}

impl MeasuredCapture {
    /// What came of the capture of this name.
    #[must_use]
    pub fn new(
        file: impl Into<String>,
        outcome: Result<Vec<(Measurement, Vec<Judgement>)>, Error>,
    ) -> Self {
        Self {
            file: file.into(),
            outcome,
        }
    }
}

/// Writes measurements capture by capture.
#[derive(Debug)]
pub struct MeasurementWriter<W: Write> {
    out: W,
    format: Format,
    confidence: f64,
    harmonics: usize,
    captures: usize,
}

impl<W: Write> MeasurementWriter<W> {
    /// A writer; `harmonics` is the highest order that gets columns in CSV.
    pub fn new(out: W, format: Format, confidence: f64, harmonics: usize) -> Self {
        Self {
            out,
            format,
            confidence,
            harmonics,
            captures: 0,
        }
    }

    /// Writes one capture and flushes, so that first results are seen early.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write(&mut self, capture: &MeasuredCapture) -> io::Result<()> {
        let first = self.captures == 0;
        self.captures += 1;
        match self.format {
            Format::Jsonl => jsonl::measured_capture(&mut self.out, capture)?,
            Format::Csv => {
                if first {
                    csv::measurement_header(&mut self.out, self.harmonics)?;
                }
                csv::measured_capture(&mut self.out, capture, self.harmonics)?;
            }
            Format::Text => text::measured_capture(&mut self.out, capture)?,
            Format::Markdown => markdown::measured_capture(&mut self.out, capture)?,
        }
        self.out.flush()
    }

    /// Writes what stands once at the end.
    ///
    /// # Errors
    /// Those of the output.
    pub fn finish(mut self) -> io::Result<()> {
        match self.format {
            Format::Jsonl => {}
            Format::Csv if self.captures == 0 => {
                csv::measurement_header(&mut self.out, self.harmonics)?;
            }
            Format::Csv => {}
            Format::Text => text::legend(&mut self.out, self.confidence)?,
            Format::Markdown => markdown::legend(&mut self.out, self.confidence)?,
        }
        self.out.flush()
    }
}

/// A comparison with the limits that were held against it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ComparisonReport<'a> {
    /// The comparison.
    pub comparison: &'a Comparison,
    /// Acceptance limits, judged on the last condition.
    pub limits: &'a [Judgement],
}

impl<'a> ComparisonReport<'a> {
    /// A comparison with its limits.
    #[must_use]
    pub fn new(comparison: &'a Comparison, limits: &'a [Judgement]) -> Self {
        Self { comparison, limits }
    }
}

/// Writes a comparison.
///
/// # Errors
/// Those of the output.
pub fn write_comparison(
    out: &mut impl Write,
    format: Format,
    report: &ComparisonReport<'_>,
) -> io::Result<()> {
    match format {
        Format::Jsonl => jsonl::comparison(out, report)?,
        Format::Csv => csv::comparison(out, report)?,
        Format::Text => text::comparison(out, report)?,
        Format::Markdown => markdown::comparison(out, report)?,
    }
    out.flush()
}

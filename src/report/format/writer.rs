//! The formats of measurements and comparisons on standard output.

use super::{brief, csv, jsonl, markdown, text};
use crate::comparison::Comparison;
use crate::printable::shown;
use crate::report::layout::TextLayout;
use crate::report::measured::MeasuredCapture;
use crate::results;
use crate::wrap::Lines;
use std::io::{self, Write};

/// What a report is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Format {
    /// Tables and sentences for a terminal.
    #[default]
    Text,
    /// One line a channel, on a terminal that is narrower in as many as it needs: measurements only, a comparison is written as
    /// text.
    Brief,
    /// One JSON object a line, one line a channel or comparison, which [`results`](crate::results) reads back.
    Jsonl,
    /// One row a channel, or of a comparison a quantity, below one row of names, for a spreadsheet.
    Csv,
    /// Tables for a document.
    Markdown,
}

/// Writes measurements capture by capture: each by [`write`](Self::write), and [`finish`](Self::finish) at the end.
#[derive(Debug)]
pub struct MeasurementWriter<W: Write> {
    out: W,
    format: Format,
    confidence: f64,
    harmonics: usize,
    layout: TextLayout,
    columns: brief::Columns,
    captures: usize,
    next_steps: bool,
}

impl<W: Write> MeasurementWriter<W> {
    /// A writer into `out`; `confidence` is the level that the text below the figures names, `harmonics` the highest order
    /// that gets columns in CSV. Text is laid out as by [`TextLayout::default`].
    #[must_use]
    pub fn new(out: W, format: Format, confidence: f64, harmonics: usize) -> Self {
        Self {
            out,
            format,
            confidence,
            harmonics,
            layout: TextLayout::default(),
            columns: brief::Columns::default(),
            captures: 0,
            next_steps: false,
        }
    }

    /// The same with text laid out like this.
    #[must_use]
    pub fn laid_out(self, layout: TextLayout) -> Self {
        Self { layout, ..self }
    }

    /// The same with or without the changes against an earlier capture as columns, in CSV and [`Format::Brief`].
    #[must_use]
    pub fn against(mut self, against: bool) -> Self {
        self.columns.against = against;
        self
    }

    /// The same with what became of the limits in [`Format::Brief`], where `limits` says so, and its lines coloured for a
    /// terminal by it, where `coloured` does.
    #[must_use]
    pub fn judging(mut self, limits: bool, coloured: bool) -> Self {
        self.columns.limits = limits;
        self.columns.coloured = coloured;
        self
    }

    /// Writes one capture and flushes, so that first results are seen early.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write(&mut self, capture: &MeasuredCapture) -> io::Result<()> {
        let first = self.captures == 0;
        self.captures += 1;
        self.next_steps |= capture
            .outcome
            .iter()
            .flatten()
            .any(|channel| !channel.measurement.evidence.is_empty());
        match self.format {
            Format::Jsonl => jsonl::measured_capture(&mut self.out, capture)?,
            Format::Csv => {
                if first {
                    csv::measurement_header(&mut self.out, self.harmonics, self.columns.against)?;
                }
                csv::measured_capture(
                    &mut self.out,
                    capture,
                    self.harmonics,
                    self.columns.against,
                )?;
            }
            Format::Brief => {
                if first {
                    brief::heading(&mut self.out, self.columns, self.layout.columns)?;
                }
                brief::measured_capture(&mut self.out, capture, self.columns, self.layout.columns)?;
            }
            Format::Text => laid_out(&mut self.out, self.layout, |lines| {
                text::measured_capture(lines, capture, self.layout.show);
            })?,
            Format::Markdown => shown(&mut self.out, |out| {
                markdown::measured_capture(out, capture, self.layout.show)
            })?,
        }
        self.out.flush()
    }

    /// Writes what stands once at the end: what the figures mean, and the cautions wherever a next
    /// step was named.
    ///
    /// # Errors
    /// Those of the output.
    pub fn finish(mut self) -> io::Result<()> {
        match self.format {
            Format::Csv if self.captures == 0 => {
                csv::measurement_header(&mut self.out, self.harmonics, self.columns.against)?;
            }
            Format::Jsonl | Format::Csv | Format::Brief => {}
            Format::Text => laid_out(&mut self.out, self.layout, |lines| {
                text::legend(lines, self.confidence);
                if self.next_steps {
                    text::cautions(lines);
                }
            })?,
            Format::Markdown => {
                markdown::legend(&mut self.out, self.confidence)?;
                if self.next_steps {
                    markdown::cautions(&mut self.out)?;
                }
            }
        }
        self.out.flush()
    }
}

/// Writes what `lay` lays out.
fn laid_out(
    out: &mut impl Write,
    layout: TextLayout,
    lay: impl FnOnce(&mut Lines),
) -> io::Result<()> {
    let mut lines = Lines::new(layout.columns);
    lay(&mut lines);
    out.write_all(lines.into_text().as_bytes())
}

/// Writes a comparison and flushes, text laid out as `layout` says.
///
/// # Errors
/// Those of the output.
pub fn write_comparison(
    out: &mut impl Write,
    format: Format,
    comparison: &Comparison,
    layout: TextLayout,
) -> io::Result<()> {
    let show = layout.show;
    match format {
        Format::Jsonl => results::write(out, comparison)?,
        Format::Csv => csv::comparison(out, comparison)?,
        Format::Text | Format::Brief => {
            laid_out(out, layout, |lines| {
                text::comparison(lines, comparison, show);
            })?;
        }
        Format::Markdown => shown(out, |out| markdown::comparison(out, comparison, show))?,
    }
    out.flush()
}

#[cfg(test)]
mod tests {

    use super::*;
    use crate::ErrorKind;
    use crate::sample;

    fn written(format: Format) -> String {
        let captures = [
            MeasuredCapture::new("bench/looped_1.csv", Ok(vec![sample::measurement().into()])),
            MeasuredCapture::new(
                "bench/bad|file.csv",
                Err(ErrorKind::BadValue
                    .error("found 'x'")
                    .at_line(3)
                    .at_column(2)),
            ),
        ];
        let mut out = Vec::new();
        let mut writer = MeasurementWriter::new(&mut out, format, 0.95, 4);
        for capture in &captures {
            writer.write(capture).unwrap();
        }
        writer.finish().unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn every_line_of_json_is_an_object_and_a_failure_stands_in_its_place() {
        let text = written(Format::Jsonl);
        let lines: Vec<serde_json::Value> = text
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        assert_eq!(lines.len(), 2);
        assert_eq!(lines[0]["dc_offset"]["value"], 11.6e-3);
        assert!(text.lines().all(|line| line.starts_with("{\"schema\":1,")));
        assert_eq!(
            lines[1],
            serde_json::json!({"schema": 1, "file": "bench/bad|file.csv", "error":
                {"kind": "bad_value", "message": "line 3, column 2: found 'x'", "line": 3, "column": 2}})
        );
    }

    #[test]
    fn rows_of_a_spreadsheet_have_one_width() {
        let text = written(Format::Csv);
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        let header = reader.headers().unwrap().clone();
        let rows: Vec<::csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), 2);
        let cell = |row: usize, name: &str| {
            let column = header.iter().position(|heading| heading == name);
            rows[row][column.unwrap()].to_owned()
        };
        assert_eq!(cell(0, "hum_rms_low"), "0.0031022");
        assert_eq!(cell(0, "harmonic_3_rms"), "0.0");
        assert_eq!(cell(0, "harmonic_4_rms"), "");
        assert_eq!(cell(0, "tone_1_frequency_hz"), "3270.0");
        assert_eq!(cell(0, "warnings"), "band_reduced");
        assert_eq!(cell(1, "error_kind"), "bad_value");
        assert_eq!(cell(1, "hum_rms"), "");
    }

    #[test]
    fn names_from_files_are_no_markup() {
        let text = written(Format::Markdown);
        assert!(text.contains("bad\\|file.csv"), "{text}");
        assert!(text.contains("| hum, RMS | 3.1035 | 3.1022 to 3.1048 | mV |"));
        assert!(text.contains("licensed person"));
    }

    #[test]
    fn comparisons_bear_the_same_quantities_in_every_format() {
        let comparison = sample::comparison();
        for format in [Format::Jsonl, Format::Csv, Format::Markdown] {
            let mut out = Vec::new();
            write_comparison(&mut out, format, &comparison, TextLayout::default()).unwrap();
            let text = String::from_utf8(out).unwrap();
            for verdict in ["improved", "at_floor", "worse", "unresolved"] {
                assert!(text.contains(verdict), "{format:?}: {text}");
            }
        }
    }
}

//! How a file was understood, for the user to see a misreading at once.

use crate::capture::{Coupling, FrameSource, RateOrigin};
use crate::load::preamble::fact::Fact;
use crate::load::text_capture::Text;
use crate::load::vocabulary::meaning::Meaning;
#[cfg(feature = "wav")]
use crate::load::wav::source::WavSource;
use crate::{Error, Warning};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::Path;

/// A statement of the preamble that is used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct StatementExplanation {
    /// 1-based line.
    pub line: u64,
    /// The key as written.
    pub key: String,
    /// The values as written.
    pub values: Vec<String>,
    /// What it was taken for.
    pub meaning: Meaning,
}

/// A column and what it was taken for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ColumnExplanation {
    /// 1-based number.
    pub number: usize,
    /// Its name as read, empty where there is none.
    pub name: String,
    /// Its unit as written.
    pub unit: Option<String>,
    /// `time`, `index`, `signal`, `logic`, `label`, `unit` or `empty`.
    pub role: String,
}

/// One capture of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct CaptureExplanation {
    /// Channel names with their units after conversion.
    pub channels: Vec<(String, String)>,
    /// Frames read.
    pub frames: u64,
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Standard uncertainty of the rate as far as the file tells it.
    pub sample_rate_uncertainty_hz: f64,
    /// Where the rate comes from.
    pub rate_origin: RateOrigin,
    /// Time of the first frame, s.
    pub start_s: f64,
    /// First frame, one value a channel; `null` where missing or beyond the range.
    pub first_frame: Vec<Option<f64>>,
    /// Last frame.
    pub last_frame: Vec<Option<f64>>,
    /// Range of the input, where the file or the user tells it.
    pub full_scale_v: Option<f64>,
    /// Probe attenuation, where the file tells it.
    pub probe_factor: Option<f64>,
    /// Coupling, where the file or the user tells it.
    pub coupling: Option<Coupling>,
    /// What was noticed.
    pub warnings: Vec<Warning>,
}

/// How a file was understood: format, header, columns, preamble, and of each capture rate, channels, first and last values.
/// `Display` tells it for a terminal, serialisation for a program.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Explanation {
    /// The file.
    pub(crate) file: String,
    /// `text` or the recording's container and coding.
    pub(crate) format: String,
    /// Character encoding of a text.
    pub(crate) encoding: Option<String>,
    /// Line ends of a text.
    pub(crate) line_end: Option<String>,
    /// Delimiter of a text.
    pub(crate) delimiter: Option<String>,
    /// Decimal mark of a text.
    pub(crate) decimal_mark: Option<char>,
    /// Line of the header.
    pub(crate) header_line: Option<u64>,
    /// Line of the units, where they have one of their own.
    pub(crate) units_line: Option<u64>,
    /// Statements of the preamble that are used.
    pub(crate) preamble: Vec<StatementExplanation>,
    /// The columns and what they are taken for.
    pub(crate) columns: Vec<ColumnExplanation>,
    /// The captures read.
    pub(crate) captures: Vec<CaptureExplanation>,
}

fn capture_of(source: &mut dyn FrameSource) -> Result<CaptureExplanation, Error> {
    let channels = source.header().channels.len();
    let block = source.header().block_frames(1 << 12);
    let mut block = ndarray::Array2::zeros((channels, block));
    let finite = |value: f64| value.is_finite().then_some(value);
    let (mut first_frame, mut last_frame) = (Vec::new(), Vec::new());
    let mut frames = 0;
    source.rewind()?;
    loop {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        if frames == 0 {
            first_frame = (0..channels).map(|c| finite(block[[c, 0]])).collect();
        }
        last_frame = (0..channels)
            .map(|c| finite(block[[c, count - 1]]))
            .collect();
        frames += count as u64;
    }
    let header = source.header();
    Ok(CaptureExplanation {
        channels: header
            .channels
            .iter()
            .map(|channel| (channel.name.clone(), channel.unit.clone()))
            .collect(),
        frames,
        sample_rate_hz: header.time_base.sample_rate_hz,
        sample_rate_uncertainty_hz: header.time_base.sample_rate_uncertainty_hz,
        rate_origin: header.time_base.origin,
        start_s: header.time_base.start_s,
        first_frame,
        last_frame,
        full_scale_v: header.acquisition.full_scale_v,
        probe_factor: header.acquisition.probe_factor,
        coupling: header.acquisition.coupling,
        warnings: source.warnings(),
    })
}

impl Explanation {
    pub(crate) fn of_text(path: &Path, text: Text) -> Result<Self, Error> {
        let mut explanation = Self {
            file: path.display().to_string(),
            format: "text".into(),
            encoding: Some(text.encoding.name().into()),
            line_end: Some(text.line_end.into()),
            ..Self::default()
        };
        for layout in text.layouts {
            if explanation.delimiter.is_none() {
                explanation.delimiter = Some(if layout.columns.len() > 1 {
                    layout.dialect.delimiter.name()
                } else {
                    "none (one column)".into()
                });
                explanation.decimal_mark = Some(char::from(layout.dialect.decimal_mark));
                explanation.header_line = layout.header_line;
                explanation.units_line = layout.units_line;
                explanation.columns = layout
                    .columns
                    .iter()
                    .enumerate()
                    .map(|(index, column)| ColumnExplanation {
                        number: index + 1,
                        name: column.title.name.clone(),
                        unit: column.title.unit.clone(),
                        role: column.role.to_string(),
                    })
                    .collect();
            }
            let statement = |(meaning, fact): (Meaning, Fact)| StatementExplanation {
                line: fact.line,
                key: fact.key,
                values: fact.values,
                meaning,
            };
            let facts = layout.facts.into_iter();
            explanation.preamble.extend(facts.map(statement));
        }
        if let Some(dialect) = text.sideways {
            explanation.format = "text, one row a channel".into();
            explanation.delimiter = Some(dialect.delimiter.name());
            explanation.decimal_mark = Some(char::from(dialect.decimal_mark));
        }
        for mut source in text.sources {
            explanation.captures.push(capture_of(source.as_mut())?);
        }
        Ok(explanation)
    }

    #[cfg(feature = "wav")]
    pub(crate) fn of_wave(path: &Path, mut source: WavSource) -> Result<Self, Error> {
        let format = source.format();
        let format = format!("{} WAVE, {}", format.container, format.coding.name());
        Ok(Self {
            file: path.display().to_string(),
            format,
            captures: vec![capture_of(&mut source)?],
            ..Self::default()
        })
    }
}

impl fmt::Display for Explanation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.file)?;
        writeln!(f, "  format        {}", self.format)?;
        if let (Some(encoding), Some(line_end)) = (&self.encoding, &self.line_end) {
            writeln!(f, "  encoding      {encoding}, line ends {line_end}")?;
        }
        if let (Some(delimiter), Some(mark)) = (&self.delimiter, &self.decimal_mark) {
            let cells = format!("delimiter {delimiter}, decimal mark '{mark}'");
            writeln!(f, "  cells         {cells}")?;
        }
        for statement in &self.preamble {
            let StatementExplanation { line, key, .. } = statement;
            let (values, meaning) = (statement.values.join(" "), statement.meaning);
            writeln!(f, "  line {line:<8} {key} = {values} ({meaning})")?;
        }
        match (self.header_line, self.units_line) {
            (Some(header), Some(units)) => {
                writeln!(f, "  header        line {header}, units in line {units}")?;
            }
            (Some(header), None) => writeln!(f, "  header        line {header}")?,
            _ if !self.columns.is_empty() => writeln!(f, "  header        none")?,
            _ => {}
        }
        for column in &self.columns {
            let ColumnExplanation {
                number,
                role,
                name,
                unit,
            } = column;
            let unit = unit
                .as_ref()
                .map_or_else(String::new, |unit| format!(" [{unit}]"));
            writeln!(f, "  column {number:<6} {role} '{name}'{unit}")?;
        }
        for (index, capture) in self.captures.iter().enumerate() {
            if self.captures.len() > 1 {
                writeln!(f, "  capture {}", index + 1)?;
            }
            write!(f, "{capture}")?;
        }
        Ok(())
    }
}

impl fmt::Display for CaptureExplanation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let origin = match self.rate_origin {
            RateOrigin::Header => "stated in the file",
            RateOrigin::TimeColumn => "from the time column",
            RateOrigin::User => "from the options",
        };
        writeln!(
            f,
            "  time base     {} Hz ({origin}, standard uncertainty {} Hz), {} frames from {} s",
            self.sample_rate_hz, self.sample_rate_uncertainty_hz, self.frames, self.start_s
        )?;
        for (index, (name, unit)) in self.channels.iter().enumerate() {
            let value = |frame: &[Option<f64>]| {
                let value = frame.get(index).copied().flatten();
                value.map_or_else(|| "none".into(), |v| format!("{v}"))
            };
            let (first, last) = (value(&self.first_frame), value(&self.last_frame));
            writeln!(
                f,
                "  channel       '{name}' in {unit}: first {first}, last {last}"
            )?;
        }
        if let Some(full_scale) = self.full_scale_v {
            writeln!(f, "  range         +/-{full_scale}")?;
        }
        if let Some(probe) = self.probe_factor {
            writeln!(f, "  probe         {probe}:1")?;
        }
        if let Some(coupling) = self.coupling {
            writeln!(f, "  coupling      {coupling}")?;
        }
        for warning in &self.warnings {
            writeln!(f, "  warning       {warning}")?;
        }
        Ok(())
    }
}

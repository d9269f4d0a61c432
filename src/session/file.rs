//! The session file.

use super::parse;
use super::reader::Mistakes;
use super::wiring::{Breaks, Earth};
use crate::analysis::MainsChoice;
use crate::capture::{Condition, Coupling};
use crate::comparison::{self, Bounded, InstrumentLimits, Limit};
use crate::{Error, ErrorKind, MeasureOptions};
use serde::Serialize;
use std::path::Path;
use toml::de::DeTable;

/// A bench session as written down: set-up, instrument, remedies, captures and limits.
///
/// ```
/// use humsieve::session::Session;
/// let text = r#"
/// title = "Load-cell amplifier"
/// [[capture]]
/// file = "loop.csv"
/// condition = "looped"
/// "#;
/// let session = Session::parse(text, "session.toml")?;
/// assert_eq!(session.captures.len(), 1);
///
/// let error = Session::parse("titel = 'x'", "session.toml").unwrap_err();
/// assert!(error.to_string().starts_with(
///     "session.toml: line 1: key `titel` is not understood; did you mean `title`?"
/// ));
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Session {
    /// What the report is called.
    pub title: String,
    /// When the captures were taken.
    pub date: Option<String>,
    /// Who took them.
    pub operator: Option<String>,
    /// What was tested.
    pub object: Option<String>,
    /// Anything else for the record.
    pub remarks: Option<String>,
    /// Nominal mains frequency, Hz; `None` decides between 50 and 60.
    pub mains_hz: Option<f64>,
    /// Band of the noise figures, Hz; `None`: lowest resolvable to Nyquist.
    pub band_hz: Option<(f64, f64)>,
    /// Highest harmonic order of the model.
    pub harmonics: usize,
    /// Level of every interval.
    pub confidence: f64,
    /// How both sides meet earth.
    pub setup: Setup,
    /// The instrument and its limits of error.
    pub instrument: Instrument,
    /// Remedies tried.
    pub remedies: Vec<Remedy>,
    /// Captures with their conditions.
    pub captures: Vec<CaptureEntry>,
    /// The signal that is to be measured in the end.
    pub wanted: Option<WantedSignal>,
    /// Acceptance limits: on the upper bounds of readings, on the lower bounds of reductions.
    #[serde(serialize_with = "limits_in_words")]
    pub limits: Vec<Limit>,
}

/// How instrument side and source side meet earth.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Setup {
    /// The side that reads: the probe's ground lead and what stands behind it.
    pub instrument: EarthingSide,
    /// The side that is read: the ground of the object under test.
    pub source: EarthingSide,
}

/// One side's way to earth.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct EarthingSide {
    /// How its ground meets protective earth, as stated.
    pub earth: Option<Earth>,
    /// Continuity reading between its ground and protective earth, ohms (infinite: open).
    #[serde(serialize_with = "finite_or_open")]
    pub earth_reading_ohm: Option<f64>,
    /// What the path consists of.
    pub through: Option<String>,
}

fn limits_in_words<S: serde::Serializer>(limits: &[Limit], to: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Written<'a> {
        bounded: Bounded,
        quantity: &'a str,
        value: f64,
    }
    to.collect_seq(limits.iter().map(|limit| Written {
        bounded: limit.bounded,
        quantity: &limit.quantity,
        value: limit.value,
    }))
}

fn finite_or_open<S: serde::Serializer>(ohm: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
    match ohm {
        Some(ohm) if ohm.is_infinite() => to.serialize_str("open"),
        other => other.serialize(to),
    }
}

/// The instrument: settings that hold for every capture unless it says otherwise, and limits of
/// error as its data sheet states them.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Instrument {
    /// What it is, in free words.
    pub description: Option<String>,
    /// Plus or minus range, V.
    pub full_scale_v: Option<f64>,
    /// Bits of the converter.
    pub bits: Option<u32>,
    /// Input coupling.
    pub coupling: Option<Coupling>,
    /// Corner of the AC coupling, Hz.
    pub ac_corner_hz: Option<f64>,
    /// Attenuation of the probe (10 for a 10:1 probe).
    pub probe_factor: Option<f64>,
    /// Limit of error of the probe's attenuation, percent.
    pub probe_tolerance_percent: Option<f64>,
    /// Limit of error of the gain, percent of reading.
    pub gain_accuracy_percent: Option<f64>,
    /// Limit of error of the offset, V.
    pub offset_accuracy_v: Option<f64>,
}

/// A remedy that was tried.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Remedy {
    /// Its name, by which captures refer to it.
    pub name: String,
    /// What it opens.
    pub breaks: Option<Breaks>,
    /// Rated voltage of its isolation, V.
    pub rating_v: Option<f64>,
    /// Measurement category of that rating.
    pub category: Option<String>,
    /// Anything else.
    pub remarks: Option<String>,
}

/// One capture and how it was taken; what is not said here holds as in [`Instrument`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CaptureEntry {
    /// File, relative to the session file.
    pub file: String,
    /// How the probe was connected.
    pub condition: Condition,
    /// The remedy in place, for `isolated`.
    pub remedy: Option<String>,
    /// Channel by name or 1-based number; `None`: the first.
    pub channel: Option<String>,
    /// Input coupling.
    pub coupling: Option<Coupling>,
    /// Plus or minus range, V.
    pub full_scale_v: Option<f64>,
    /// Overrides or supplies the sample rate, Hz.
    pub sample_rate_hz: Option<f64>,
    /// Unit of the values where the file does not say.
    pub unit: Option<String>,
    /// Factor on every value.
    pub scale: Option<f64>,
    /// Anything else.
    pub remarks: Option<String>,
}

/// The signal that is to be measured once the interference is dealt with.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WantedSignal {
    /// What it is.
    pub description: Option<String>,
    /// Its frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Its RMS (of a sine), V.
    pub rms_v: Option<f64>,
    /// To what part of itself it is to be read, percent; `None`: 1 %.
    pub accuracy_percent: Option<f64>,
}

impl Session {
    /// Reads the text of a session file; `file` is its name in messages.
    ///
    /// # Errors
    /// `BadValue` with the line of the first mistake; where there are more, the message says so.
    /// [`Session::mistakes`] gives them all.
    pub fn parse(text: &str, file: impl AsRef<Path>) -> Result<Self, Error> {
        let file = file.as_ref();
        Self::read(text, file).map_err(|errors| {
            let others = errors.len().saturating_sub(1);
            let mut errors = errors.into_iter();
            let Some(first) = errors.next() else {
                return Error::new(ErrorKind::BadValue, "the session is not understood")
                    .in_file(file);
            };
            if others == 0 {
                return first;
            }
            let lines: Vec<String> = errors.map(|error| error.message_with_position()).collect();
            Error::new(
                first.kind(),
                format!("{} [also {}]", first.message(), lines.join("; ")),
            )
            .in_file(file)
            .at_line(first.line().unwrap_or(1))
        })
    }

    /// Every mistake of the text of a session file, by rising line; empty where it is sound.
    #[must_use]
    pub fn mistakes(text: &str, file: impl AsRef<Path>) -> Vec<Error> {
        Self::read(text, file.as_ref()).err().unwrap_or_default()
    }

    /// How every capture of the session is to be measured.
    #[must_use]
    pub fn measure_options(&self) -> MeasureOptions {
        let mut options = MeasureOptions {
            mains: self
                .mains_hz
                .map_or(MainsChoice::Auto, MainsChoice::Nominal),
            band_hz: self.band_hz,
            harmonics: self.harmonics,
            confidence: self.confidence,
            ..MeasureOptions::default()
        };
        options.detail.spectrum = true;
        options.detail.folded = true;
        options
    }

    /// The instrument's limits of error, as a comparison takes them.
    #[must_use]
    pub fn instrument_limits(&self) -> InstrumentLimits {
        let fraction = |percent: Option<f64>| percent.unwrap_or(0.0) / 100.0;
        InstrumentLimits {
            gain: fraction(self.instrument.gain_accuracy_percent),
            probe: fraction(self.instrument.probe_tolerance_percent),
            offset_v: self.instrument.offset_accuracy_v.unwrap_or(0.0),
        }
    }

    /// The wanted signal, as a comparison takes it; `None` where its size is not stated.
    #[must_use]
    pub fn wanted_signal(&self) -> Option<comparison::WantedSignal> {
        let wanted = self.wanted.as_ref()?;
        let mut signal = comparison::WantedSignal::new(wanted.rms_v? * std::f64::consts::SQRT_2);
        if let Some(percent) = wanted.accuracy_percent {
            signal.accuracy = percent / 100.0;
        }
        Some(signal)
    }

    /// The name of the remedy in place when an isolated capture was taken.
    #[must_use]
    pub fn remedy_of<'a>(&'a self, capture: &'a CaptureEntry) -> Option<&'a str> {
        if capture.condition != Condition::Isolated {
            return None;
        }
        let only = self.remedies.first().map(|remedy| remedy.name.as_str());
        Some(capture.remedy.as_deref().or(only).unwrap_or("loop broken"))
    }

    fn read(text: &str, file: &Path) -> Result<Self, Vec<Error>> {
        let mut mistakes = Mistakes::new(text, file);
        let document = match DeTable::parse(text) {
            Ok(document) => document,
            Err(error) => {
                let offset = error.span().map_or(0, |span| span.start);
                mistakes.add(offset, format!("not valid TOML: {}", error.message()));
                return Err(mistakes.into_errors());
            }
        };
        let session = parse::session(document.get_ref(), &mut mistakes);
        let errors = mistakes.into_errors();
        if errors.is_empty() {
            Ok(session)
        } else {
            Err(errors)
        }
    }
}

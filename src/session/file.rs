//! The session file.

use super::reader::{Mistakes, TableReader};
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
        let session = Self::from_table(document.get_ref(), &mut mistakes);
        let errors = mistakes.into_errors();
        if errors.is_empty() {
            Ok(session)
        } else {
            Err(errors)
        }
    }

    fn from_table(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) -> Self {
        let defaults = MeasureOptions::default();
        let mut top = TableReader::new(table, "", 0);
        let session = Self {
            title: top
                .text("title", mistakes)
                .unwrap_or_else(|| "Ground-loop interference test".into()),
            date: top.text("date", mistakes),
            operator: top.text("operator", mistakes),
            object: top.text("object", mistakes),
            remarks: top.text("remarks", mistakes),
            mains_hz: top.positive("mains_hz", mistakes),
            band_hz: band(&mut top, mistakes),
            harmonics: top
                .whole("harmonics", mistakes)
                .map_or(defaults.harmonics, |orders| orders as usize),
            confidence: confidence(&mut top, defaults.confidence, mistakes),
            setup: setup(&mut top, mistakes),
            instrument: instrument(&mut top, mistakes),
            remedies: remedies(&mut top, mistakes),
            captures: Vec::new(),
            wanted: wanted(&mut top, mistakes),
            limits: limits(&mut top, mistakes),
        };
        let captures = captures(&mut top, &session.remedies, mistakes);
        top.finish(mistakes);
        Self {
            captures,
            ..session
        }
    }
}

fn band(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Option<(f64, f64)> {
    let numbers = top.numbers("band_hz", mistakes)?;
    match numbers.as_slice() {
        [low, high] if 0.0 <= *low && low < high && high.is_finite() => Some((*low, *high)),
        _ => {
            mistakes.add(
                top.offset_of("band_hz"),
                "key `band_hz`: it must be [LOW, HIGH] with 0 <= LOW < HIGH, in Hz",
            );
            None
        }
    }
}

fn confidence(top: &mut TableReader<'_, '_>, default: f64, mistakes: &mut Mistakes<'_>) -> f64 {
    match top.number("confidence", mistakes) {
        None => default,
        Some(level) if level > 0.0 && level < 1.0 => level,
        Some(level) => {
            mistakes.add(
                top.offset_of("confidence"),
                format!(
                    "key `confidence`: {level} will not do; it must lie strictly between 0 and 1"
                ),
            );
            default
        }
    }
}

fn setup(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Setup {
    let Some(mut table) = top.table("setup", mistakes) else {
        return Setup::default();
    };
    let mut side = |key, mistakes: &mut Mistakes<'_>| {
        let Some(mut table) = table.table(key, mistakes) else {
            return EarthingSide::default();
        };
        let side = EarthingSide {
            earth: table.choice("earth", &Earth::NAMES, mistakes),
            earth_reading_ohm: table.not_negative("earth_reading_ohm", mistakes),
            through: table.text("through", mistakes),
        };
        table.finish(mistakes);
        side
    };
    let setup = Setup {
        instrument: side("instrument", mistakes),
        source: side("source", mistakes),
    };
    table.finish(mistakes);
    setup
}

const COUPLINGS: [(&str, Coupling); 2] = [("dc", Coupling::Dc), ("ac", Coupling::Ac)];

fn instrument(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Instrument {
    let Some(mut table) = top.table("instrument", mistakes) else {
        return Instrument::default();
    };
    let instrument = Instrument {
        description: table.text("description", mistakes),
        full_scale_v: table.positive("full_scale_v", mistakes),
        bits: table.whole("bits", mistakes),
        coupling: table.choice("coupling", &COUPLINGS, mistakes),
        ac_corner_hz: table.positive("ac_corner_hz", mistakes),
        probe_factor: table.positive("probe_factor", mistakes),
        probe_tolerance_percent: table.not_negative("probe_tolerance_percent", mistakes),
        gain_accuracy_percent: table.not_negative("gain_accuracy_percent", mistakes),
        offset_accuracy_v: table.not_negative("offset_accuracy_v", mistakes),
    };
    table.finish(mistakes);
    instrument
}

fn remedies(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Vec<Remedy> {
    let mut remedies: Vec<Remedy> = Vec::new();
    for mut table in top.tables("remedy", mistakes) {
        let name = table.text("name", mistakes);
        if name.is_none() {
            table.missing("name", "captures refer to the remedy by it", mistakes);
        }
        if let Some(name) = &name
            && remedies.iter().any(|remedy| remedy.name == *name)
        {
            mistakes.add(
                table.offset_of("name"),
                format!(
                    "key `{}`: a second remedy called \"{name}\"",
                    table.path("name")
                ),
            );
        }
        let remedy = Remedy {
            name: name.unwrap_or_default(),
            breaks: table.choice("breaks", &Breaks::NAMES, mistakes),
            rating_v: table.positive("rating_v", mistakes),
            category: table.text("category", mistakes),
            remarks: table.text("remarks", mistakes),
        };
        table.finish(mistakes);
        remedies.push(remedy);
    }
    remedies
}

const CONDITIONS: [(&str, Condition); 3] = [
    ("baseline", Condition::Baseline),
    ("looped", Condition::Looped),
    ("isolated", Condition::Isolated),
];

fn captures(
    top: &mut TableReader<'_, '_>,
    remedies: &[Remedy],
    mistakes: &mut Mistakes<'_>,
) -> Vec<CaptureEntry> {
    let tables = top.tables("capture", mistakes);
    if tables.is_empty() {
        top.missing(
            "capture",
            "a session needs at least one capture, headed [[capture]]",
            mistakes,
        );
    }
    let mut captures = Vec::new();
    for mut table in tables {
        let file = table.text("file", mistakes);
        if file.is_none() {
            table.missing("file", "the capture's file, relative to this one", mistakes);
        }
        let condition = table.choice("condition", &CONDITIONS, mistakes);
        if condition.is_none() && !table.has("condition") {
            table.missing("condition", "baseline, looped or isolated", mistakes);
        }
        let remedy = table.text("remedy", mistakes);
        check_remedy(&table, condition, remedy.as_deref(), remedies, mistakes);
        let entry = CaptureEntry {
            file: file.unwrap_or_default(),
            condition: condition.unwrap_or(Condition::Looped),
            remedy,
            channel: table.text_or_whole("channel", mistakes),
            coupling: table.choice("coupling", &COUPLINGS, mistakes),
            full_scale_v: table.positive("full_scale_v", mistakes),
            sample_rate_hz: table.positive("sample_rate_hz", mistakes),
            unit: table.text("unit", mistakes),
            scale: table.number("scale", mistakes),
            remarks: table.text("remarks", mistakes),
        };
        if entry.scale == Some(0.0) || entry.scale.is_some_and(|x| !x.is_finite()) {
            mistakes.add(
                table.offset_of("scale"),
                format!("key `{}`: it must be finite and not 0", table.path("scale")),
            );
        }
        table.finish(mistakes);
        captures.push(entry);
    }
    captures
}

fn check_remedy(
    table: &TableReader<'_, '_>,
    condition: Option<Condition>,
    remedy: Option<&str>,
    remedies: &[Remedy],
    mistakes: &mut Mistakes<'_>,
) {
    let names: Vec<&str> = remedies.iter().map(|remedy| remedy.name.as_str()).collect();
    match (condition, remedy) {
        (Some(Condition::Isolated), None) if names.len() > 1 => table.missing(
            "remedy",
            &format!("which of these was in place: {}", names.join(", ")),
            mistakes,
        ),
        (Some(Condition::Baseline | Condition::Looped), Some(_)) => mistakes.add(
            table.offset_of("remedy"),
            format!(
                "key `{}`: only an isolated capture has a remedy",
                table.path("remedy")
            ),
        ),
        (_, Some(name)) if !names.contains(&name) => mistakes.add(
            table.offset_of("remedy"),
            format!(
                "key `{}`: there is no remedy \"{name}\"; {}",
                table.path("remedy"),
                if names.is_empty() {
                    "describe it under [[remedy]] first".to_owned()
                } else {
                    format!("understood here: {}", names.join(", "))
                }
            ),
        ),
        _ => {}
    }
}

fn wanted(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Option<WantedSignal> {
    let mut table = top.table("wanted", mistakes)?;
    let frequency_hz = table.numbers("frequency_hz", mistakes).unwrap_or_default();
    if frequency_hz
        .iter()
        .any(|hz| !(hz.is_finite() && *hz >= 0.0))
    {
        mistakes.add(
            table.offset_of("frequency_hz"),
            format!(
                "key `{}`: frequencies must be 0 or more",
                table.path("frequency_hz")
            ),
        );
    }
    let wanted = WantedSignal {
        description: table.text("description", mistakes),
        frequency_hz,
        rms_v: table.positive("rms_v", mistakes),
        accuracy_percent: table.positive("accuracy_percent", mistakes),
    };
    table.finish(mistakes);
    Some(wanted)
}

fn limits(top: &mut TableReader<'_, '_>, mistakes: &mut Mistakes<'_>) -> Vec<Limit> {
    let Some(mut table) = top.table("limits", mistakes) else {
        return Vec::new();
    };
    let reductions = [
        ("improvement", Bounded::Improvement),
        ("excess_reduction", Bounded::ExcessReduction),
    ];
    let mut limits = Vec::new();
    for (key, bounded) in reductions {
        if table.has(key)
            && let Some(mut below) = table.table(key, mistakes)
        {
            limits_of(bounded, &mut below, &[], &mut limits, mistakes);
        }
    }
    let below = reductions.map(|(key, _)| key);
    limits_of(Bounded::Reading, &mut table, &below, &mut limits, mistakes);
    limits
}

fn limits_of(
    bounded: Bounded,
    table: &mut TableReader<'_, '_>,
    except: &[&str],
    limits: &mut Vec<Limit>,
    mistakes: &mut Mistakes<'_>,
) {
    for (quantity, value) in table.named_numbers(except, mistakes) {
        match Limit::new(bounded, quantity.as_str(), value) {
            Ok(limit) => limits.push(limit),
            Err(error) => mistakes.add(
                table.offset_of(&quantity),
                format!("key `{}`: {}", table.path(&quantity), error.message()),
            ),
        }
    }
}

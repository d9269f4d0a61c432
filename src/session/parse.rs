//! From the tables of a session file to the session.

use super::file::{CaptureEntry, Instrument, Session, WantedSignal};
use super::reader::{Mistakes, TableReader};
use super::setup::{Breaks, Earth, EarthingSide, Remedy, Setup};
use crate::capture::{Condition, Coupling};
use crate::limit::{Bounded, Limit};
use crate::{Error, ErrorKind, MeasureOptions};
use std::path::Path;
use toml::de::DeTable;

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
        let session = session(document.get_ref(), &mut mistakes);
        let errors = mistakes.into_errors();
        if errors.is_empty() {
            Ok(session)
        } else {
            Err(errors)
        }
    }
}

/// Reads the whole document; what is mistaken is told and left at its default.
fn session(table: &DeTable<'_>, mistakes: &mut Mistakes<'_>) -> Session {
    let defaults = MeasureOptions::default();
    let mut top = TableReader::new(table, "", 0);
    let session = Session {
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
    if captures.is_empty() && !top.has("capture") {
        top.missing(
            "capture",
            "a session needs at least one capture, headed [[capture]]",
            mistakes,
        );
    }
    Session {
        captures,
        ..session
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

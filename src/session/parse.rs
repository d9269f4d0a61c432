//! From the tables of a session file to the session.

use super::file::{CaptureEntry, ExpectedSignal, Instrument, Session, Signature};
use super::reader::{Mistakes, TableReader};
use super::setup::{Breaks, Earth, EarthingSide, ProtectiveEarth, Remedy, Setup};
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
                return ErrorKind::BadValue
                    .error("the session is not understood")
                    .in_file(file);
            };
            if others == 0 {
                return first;
            }
            let lines: Vec<String> = errors.map(|error| error.message_with_position()).collect();
            let message = format!("{} [also {}]", first.message(), lines.join("; "));
            first.reworded(message)
        })
    }

    /// Every mistake of the text of a session file, by rising line; empty where it is sound.
    #[must_use]
    pub fn mistakes(text: &str, file: impl AsRef<Path>) -> Vec<Error> {
        Self::read(text, file.as_ref()).err().unwrap_or_default()
    }

    fn read(text: &str, file: &Path) -> Result<Self, Vec<Error>> {
        let mistakes = Mistakes::new(text, file);
        let session = match DeTable::parse(text) {
            Ok(document) => session(TableReader::new(document.get_ref(), "", 0, &mistakes)),
            Err(error) => {
                let offset = error.span().map_or(0, |span| span.start);
                mistakes.add(offset, format!("not valid TOML: {}", error.message()));
                return Err(mistakes.into_errors());
            }
        };
        match mistakes.into_errors() {
            errors if errors.is_empty() => Ok(session),
            errors => Err(errors),
        }
    }
}

/// Reads the whole document; what is mistaken is told and left at its default.
fn session(mut top: TableReader<'_>) -> Session {
    let defaults = MeasureOptions::default();
    let session = Session {
        title: top
            .text("title")
            .unwrap_or_else(|| "Ground-loop interference test".into()),
        date: top.text("date"),
        operator: top.text("operator"),
        object: top.text("object"),
        report_number: top.text_or_whole("report_number"),
        customer: top.text("customer"),
        place: top.text("place"),
        signatures: signatures(&mut top),
        remarks: top.text("remarks"),
        mains_hz: top.positive("mains_hz"),
        band_hz: band(&mut top),
        harmonics: top
            .whole("harmonics")
            .map_or(defaults.harmonics, |orders| orders as usize),
        confidence: top
            .number_where(
                "confidence",
                "it must lie strictly between 0 and 1",
                |level| level > 0.0 && level < 1.0,
            )
            .unwrap_or(defaults.confidence),
        setup: setup(&mut top),
        instrument: instrument(&mut top),
        remedies: remedies(&mut top),
        captures: Vec::new(),
        wanted: wanted(&mut top),
        limits: limits(&mut top),
    };
    let captures = captures(&mut top, &session.remedies);
    let captures = top.read(captures);
    if captures.is_empty() && !top.has("capture") {
        top.missing(
            "capture",
            "a session needs at least one capture, headed [[capture]]",
        );
    }
    Session {
        captures,
        ..session
    }
}

fn band(top: &mut TableReader<'_>) -> Option<(f64, f64)> {
    let numbers = top.numbers("band_hz")?;
    match numbers.as_slice() {
        [low, high] if 0.0 <= *low && low < high && high.is_finite() => Some((*low, *high)),
        _ => {
            top.refuse(
                "band_hz",
                "it must be [LOW, HIGH] with 0 <= LOW < HIGH, in Hz",
            );
            None
        }
    }
}

fn setup(top: &mut TableReader<'_>) -> Setup {
    let Some(mut table) = top.table("setup") else {
        return Setup::default();
    };
    let mut side = |key| {
        let Some(mut table) = table.table(key) else {
            return EarthingSide::default();
        };
        let side = EarthingSide {
            earth: table.choice("earth", &Earth::NAMES),
            earth_reading_ohm: table.not_negative("earth_reading_ohm"),
            through: table.text("through"),
            protective: table.flag("protective"),
        };
        table.read(side)
    };
    let setup = Setup {
        instrument: side("instrument"),
        source: side("source"),
        working_voltage_v: table.positive("working_voltage_v"),
        category: table.text("category"),
    };
    table.read(setup)
}

fn signatures(top: &mut TableReader<'_>) -> Vec<Signature> {
    let tables = top.tables("signature");
    let mut signatures = Vec::new();
    for mut table in tables {
        let role = table.text("role");
        if role.is_none() {
            table.missing("role", "as what it is signed: tested, approved");
        }
        let signature = Signature {
            role: role.unwrap_or_default(),
            name: table.text("name"),
        };
        signatures.push(table.read(signature));
    }
    signatures
}

const COUPLINGS: [(&str, Coupling); 2] = [("dc", Coupling::Dc), ("ac", Coupling::Ac)];

fn instrument(top: &mut TableReader<'_>) -> Instrument {
    let Some(mut table) = top.table("instrument") else {
        return Instrument::default();
    };
    let instrument = Instrument {
        description: table.text("description"),
        serial_number: table.text_or_whole("serial_number"),
        probe: table.text("probe"),
        calibrated: table.text("calibrated"),
        certificate: table.text_or_whole("certificate"),
        calibration_due: table.text("calibration_due"),
        full_scale_v: table.positive("full_scale_v"),
        bits: table.whole("bits"),
        coupling: table.choice("coupling", &COUPLINGS),
        ac_corner_hz: table.positive("ac_corner_hz"),
        probe_factor: table.positive("probe_factor"),
        probe_tolerance_percent: table.not_negative("probe_tolerance_percent"),
        gain_accuracy_percent: table.not_negative("gain_accuracy_percent"),
        offset_accuracy_v: table.not_negative("offset_accuracy_v"),
    };
    table.read(instrument)
}

fn remedies(top: &mut TableReader<'_>) -> Vec<Remedy> {
    let mut remedies: Vec<Remedy> = Vec::new();
    for mut table in top.tables("remedy") {
        let name = table.text("name");
        if name.is_none() {
            table.missing("name", "captures refer to the remedy by it");
        }
        if let Some(name) = &name
            && remedies.iter().any(|remedy| remedy.name == *name)
        {
            table.refuse("name", format!("a second remedy called \"{name}\""));
        }
        let remedy = Remedy {
            name: name.unwrap_or_default(),
            breaks: table.choice("breaks", &Breaks::NAMES),
            rating_v: table.positive("rating_v"),
            category: table.text("category"),
            protective_earth: table.choice("protective_earth", &ProtectiveEarth::NAMES),
            remarks: table.text("remarks"),
        };
        remedies.push(table.read(remedy));
    }
    remedies
}

const CONDITIONS: [(&str, Condition); 3] = [
    ("baseline", Condition::Baseline),
    ("looped", Condition::Looped),
    ("isolated", Condition::Isolated),
];

fn captures(top: &mut TableReader<'_>, remedies: &[Remedy]) -> Vec<CaptureEntry> {
    let tables = top.tables("capture");
    let mut captures = Vec::new();
    for mut table in tables {
        let file = table.text("file");
        if file.is_none() {
            table.missing("file", "the capture's file, relative to this one");
        }
        let condition = table.choice("condition", &CONDITIONS);
        if condition.is_none() && !table.has("condition") {
            table.missing("condition", "baseline, looped or isolated");
        }
        let remedy = table.text("remedy");
        check_remedy(&table, condition, remedy.as_deref(), remedies);
        let entry = CaptureEntry {
            file: file.unwrap_or_default(),
            condition: condition.unwrap_or(Condition::Looped),
            remedy,
            channel: table.text_or_whole("channel"),
            coupling: table.choice("coupling", &COUPLINGS),
            full_scale_v: table.positive("full_scale_v"),
            sample_rate_hz: table.positive("sample_rate_hz"),
            unit: table.text("unit"),
            scale: table.number("scale"),
            remarks: table.text("remarks"),
        };
        if entry.scale == Some(0.0) || entry.scale.is_some_and(|x| !x.is_finite()) {
            table.refuse("scale", "it must be finite and not 0");
        }
        captures.push(table.read(entry));
    }
    captures
}

fn check_remedy(
    table: &TableReader<'_>,
    condition: Option<Condition>,
    remedy: Option<&str>,
    remedies: &[Remedy],
) {
    let names: Vec<&str> = remedies.iter().map(|remedy| remedy.name.as_str()).collect();
    match (condition, remedy) {
        (Some(Condition::Isolated), None) if names.len() > 1 => table.missing(
            "remedy",
            &format!("which of these was in place: {}", names.join(", ")),
        ),
        (Some(Condition::Baseline | Condition::Looped), Some(_)) => {
            table.refuse("remedy", "only an isolated capture has a remedy");
        }
        (_, Some(name)) if names.is_empty() => table.refuse(
            "remedy",
            format!("there is no remedy \"{name}\"; describe it under [[remedy]] first"),
        ),
        (_, Some(name)) if !names.contains(&name) => {
            let names = names.join(", ");
            table.refuse(
                "remedy",
                format!("there is no remedy \"{name}\"; understood here: {names}"),
            );
        }
        _ => {}
    }
}

fn wanted(top: &mut TableReader<'_>) -> Option<ExpectedSignal> {
    let mut table = top.table("wanted")?;
    let frequency_hz = table.numbers("frequency_hz").unwrap_or_default();
    if frequency_hz
        .iter()
        .any(|hz| !(hz.is_finite() && *hz >= 0.0))
    {
        table.refuse("frequency_hz", "frequencies must be 0 or more");
    }
    let wanted = ExpectedSignal {
        description: table.text("description"),
        frequency_hz,
        rms_v: table.positive("rms_v"),
        accuracy_percent: table.positive("accuracy_percent"),
    };
    Some(table.read(wanted))
}

fn limits(top: &mut TableReader<'_>) -> Vec<Limit> {
    let Some(mut table) = top.table("limits") else {
        return Vec::new();
    };
    let reductions = [
        ("improvement", Bounded::Improvement),
        ("excess_reduction", Bounded::ExcessReduction),
    ];
    let mut limits = Vec::new();
    for (key, bounded) in reductions {
        if table.has(key)
            && let Some(mut below) = table.table(key)
        {
            limits_of(bounded, &mut below, &[], &mut limits);
        }
    }
    let below = reductions.map(|(key, _)| key);
    limits_of(Bounded::Reading, &mut table, &below, &mut limits);
    limits
}

fn limits_of(
    bounded: Bounded,
    table: &mut TableReader<'_>,
    except: &[&str],
    limits: &mut Vec<Limit>,
) {
    for (quantity, value) in table.named_numbers(except) {
        match Limit::new(bounded, quantity.as_str(), value) {
            Ok(limit) => limits.push(limit),
            Err(error) => table.refuse(&quantity, error.message()),
        }
    }
}

//! How the bench was wired: both sides' ways to earth, and the remedies.
//!
//! The classes of a continuity reading (near zero: bonded; around a kilohm: soft-earthed; open:
//! floating) are common practice; no standard is cited for them.

use serde::{Deserialize, Deserializer, Serialize};

/// How instrument side and source side meet earth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct Setup {
    /// The side that reads: the probe's ground lead and what stands behind it.
    pub instrument: EarthingSide,
    /// The side that is read: the ground of the object under test.
    pub source: EarthingSide,
    /// Voltage that the isolation of a remedy has to stand where it is used, V.
    pub working_voltage_v: Option<f64>,
    /// Measurement category of that place.
    pub category: Option<String>,
}

/// One side's way to earth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct EarthingSide {
    /// How its ground meets protective earth, as stated.
    pub earth: Option<Earth>,
    /// Continuity reading between its ground and protective earth, ohms (infinite: open).
    #[serde(
        default,
        serialize_with = "finite_or_open",
        deserialize_with = "or_open"
    )]
    pub earth_reading_ohm: Option<f64>,
    /// What the path consists of.
    pub through: Option<String>,
    /// Whether that path is a protective earth: a mains plug's earth contact, a protective conductor.
    pub protective: Option<bool>,
}

fn finite_or_open<S: serde::Serializer>(ohm: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
    match ohm {
        Some(ohm) if ohm.is_infinite() => to.serialize_str("open"),
        other => other.serialize(to),
    }
}

/// A reading as it is written: a number or `open`.
#[derive(Deserialize)]
#[serde(untagged)]
enum Reading {
    Ohm(f64),
    Open(Open),
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum Open {
    Open,
}

fn or_open<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    let reading = Option::<Reading>::deserialize(from)?;
    Ok(reading.map(|reading| match reading {
        Reading::Ohm(ohm) => ohm,
        Reading::Open(Open::Open) => f64::INFINITY,
    }))
}

/// How a ground meets protective earth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Earth {
    /// Joined by metal: a reading near zero.
    Bonded,
    /// Through a resistor of about a kilohm.
    Soft,
    /// Not joined.
    Floating,
}

impl Earth {
    pub(super) const NAMES: [(&str, Self); 3] = [
        ("bonded", Self::Bonded),
        ("soft", Self::Soft),
        ("floating", Self::Floating),
    ];

    /// The class a continuity reading falls into.
    #[must_use]
    pub fn from_reading(ohm: f64) -> Self {
        const BONDED_BELOW_OHM: f64 = 20.0;
        const FLOATING_FROM_OHM: f64 = 100e3;
        if ohm < BONDED_BELOW_OHM {
            Self::Bonded
        } else if ohm < FLOATING_FROM_OHM {
            Self::Soft
        } else {
            Self::Floating
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Bonded => "bonded to earth",
            Self::Soft => "soft-earthed",
            Self::Floating => "floating",
        }
    }
}

/// What a remedy opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Breaks {
    /// The instrument's way to earth.
    Instrument,
    /// The source's way to earth.
    Source,
    /// The joint between both grounds: the probe's ground lead.
    Lead,
    /// Nothing: it lowers what is coupled in (ferrite, shorter lead, other routing, filter).
    Nothing,
}

impl Breaks {
    pub(super) const NAMES: [(&str, Self); 4] = [
        ("instrument", Self::Instrument),
        ("source", Self::Source),
        ("lead", Self::Lead),
        ("nothing", Self::Nothing),
    ];
}

/// What a remedy does to the protective earths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ProtectiveEarth {
    /// All of them stay connected.
    Kept,
    /// One of them is opened: no remedy.
    Opened,
}

impl ProtectiveEarth {
    pub(super) const NAMES: [(&str, Self); 2] = [("kept", Self::Kept), ("opened", Self::Opened)];
}

/// A remedy that was tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Remedy {
    /// Its name, by which captures refer to it.
    pub name: String,
    /// What it opens.
    pub breaks: Option<Breaks>,
    /// Rated voltage of its isolation, V.
    pub rating_v: Option<f64>,
    /// Measurement category of that rating.
    pub category: Option<String>,
    /// What it does to the protective earths.
    pub protective_earth: Option<ProtectiveEarth>,
    /// Anything else.
    pub remarks: Option<String>,
}

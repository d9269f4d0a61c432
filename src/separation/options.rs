//! What to separate, and how.

use crate::analysis::{MOST_HARMONICS, MainsChoice, NOMINAL_HZ};
use crate::setting::setters;
use crate::{Error, ErrorKind, setting};
use serde::{Deserialize, Deserializer, Serialize};

/// Method of separation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum MethodChoice {
    /// By what is named: a reference or second tip, a template, else the channel alone.
    #[default]
    Auto,
    /// The mains series of one channel, tracked.
    Harmonic,
    /// The waveform of an interference-only capture, aligned.
    Template,
    /// What is coherent with another channel that senses the ground noise alone.
    Reference,
    /// Another channel, gain and delay matched, subtracted.
    Difference,
}

/// Component to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Keep {
    /// The capture without interference (and without the offset that is taken out); missing samples stay missing.
    #[default]
    Cleaned,
    /// Everything taken out but the offset.
    Interference,
    /// The mains series that was taken out; not with a reference or a second tip, which do not tell it from the rest.
    Mains,
    /// The offset that is taken out, a constant.
    Offset,
}

impl Keep {
    /// The fixed name, as JSON has it: `cleaned`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Cleaned => "cleaned",
            Self::Interference => "interference",
            Self::Mains => "mains",
            Self::Offset => "offset",
        }
    }
}

/// What becomes of the DC offset.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Offset {
    /// What a template, a reference or a second tip tells to be the loop's own is taken out; without one of them the
    /// offset stays.
    #[default]
    Own,
    /// Stays in the cleaned capture.
    Keep,
    /// The record's mean, as the hum leaves it, is taken out, a wanted signal's own with it.
    Remove,
    /// This much is taken out, in the unit of the values.
    Value(f64),
}

/// Settings of a separation.
///
/// By default: the harmonic method on every channel by itself, cleaned samples written, the offset left in.
///
/// ```
/// let options = humsieve::separation::SeparateOptions::default().protect_hz([1000.0]);
/// options.check()?;
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct SeparateOptions {
    /// Method; by default the one that what is named asks for.
    pub method: MethodChoice,
    /// Nominal mains frequency.
    pub mains: MainsChoice,
    /// Highest harmonic order, 1 to 1000; `None`: every order up to 1000 that lies below half the rate.
    pub harmonics: Option<usize>,
    /// Component to write.
    pub keep: Keep,
    /// What becomes of the DC offset.
    pub offset: Offset,
    /// Frequencies of the wanted signal that are never removed, Hz: an order within 1 Hz of one (within three inverse
    /// lengths of a short record) stays.
    pub protect_hz: Vec<f64>,
    /// Only these channels, by name or 1-based number; empty: all but reference and second tip.
    pub channels: Vec<String>,
    /// Channels that sense the ground noise alone, by name, else by 1-based number; one text may list several with commas between
    /// them, as far as no channel's own name has that comma. Not beside `minus`.
    #[serde(alias = "reference", deserialize_with = "none_one_or_several")]
    pub references: Vec<String>,
    /// Second tip, to be subtracted, by name, else by 1-based number; not beside `references`.
    pub minus: Option<String>,
    /// Level of every interval, strictly between 0 and 1.
    pub confidence: f64,
}

setters!(SeparateOptions {
    set method: MethodChoice;
    set mains: MainsChoice;
    set keep: Keep;
    set offset: Offset;
    set confidence: f64;
    some harmonics: usize;
    some minus: impl Into<String>;
    list protect_hz: f64;
    list channels: impl Into<String>;
    list references: impl Into<String>;
});

impl Default for SeparateOptions {
    fn default() -> Self {
        Self {
            method: MethodChoice::Auto,
            mains: MainsChoice::Auto,
            harmonics: None,
            keep: Keep::Cleaned,
            offset: Offset::Own,
            protect_hz: Vec::new(),
            channels: Vec::new(),
            references: Vec::new(),
            minus: None,
            confidence: 0.95,
        }
    }
}

/// One name, a list of them or none: earlier versions wrote one or none.
fn none_one_or_several<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<String>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Names {
        One(String),
        Several(Vec<String>),
    }
    Ok(match Option::<Names>::deserialize(from)? {
        None => Vec::new(),
        Some(Names::One(name)) => vec![name],
        Some(Names::Several(names)) => names,
    })
}

impl SeparateOptions {
    /// The same with this one reference.
    #[must_use]
    pub fn reference(self, reference: impl Into<String>) -> Self {
        self.references([reference])
    }

    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        let bad = |message: String| Err(ErrorKind::BadOption.error(message));
        self.harmonic().check()?;
        setting::confidence(self.confidence)?;
        if let Offset::Value(offset) = self.offset
            && !offset.is_finite()
        {
            return bad(format!(
                "the offset to take out is {offset}; it must be finite"
            ));
        }
        if !self.references.is_empty() && self.minus.is_some() {
            return bad(
                "both a reference channel and a channel to subtract are named; name one of them"
                    .into(),
            );
        }
        Ok(())
    }

    /// Settings of the series to look for.
    pub(crate) fn harmonic(&self) -> HarmonicOptions {
        HarmonicOptions {
            mains: self.mains,
            harmonics: self.harmonics,
            protect_hz: self.protect_hz.clone(),
        }
    }
}

/// Settings of the series that [`harmonic()`](super::harmonic()), [`template()`](super::template()) and
/// [`reference()`](super::reference()) look for.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct HarmonicOptions {
    /// Nominal mains frequency.
    pub mains: MainsChoice,
    /// Highest harmonic order, 1 to 1000; `None`: every order up to 1000 that lies below half the rate.
    pub harmonics: Option<usize>,
    /// Frequencies that are never removed, Hz: an order within 1 Hz of one (within three inverse lengths of a short record)
    /// stays.
    pub protect_hz: Vec<f64>,
}

setters!(HarmonicOptions {
    set mains: MainsChoice;
    some harmonics: usize;
    list protect_hz: f64;
});

impl HarmonicOptions {
    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        for hz in self.mains.nominals_hz() {
            check_nominal(*hz)?;
        }
        check_harmonics(self.harmonics)?;
        for hz in &self.protect_hz {
            setting::positive("a protected frequency", *hz, " Hz")?;
        }
        Ok(())
    }
}

/// Checks a highest harmonic order.
fn check_harmonics(harmonics: Option<usize>) -> Result<(), Error> {
    match harmonics {
        Some(order) if !(1..=MOST_HARMONICS).contains(&order) => Err(ErrorKind::BadOption.error(
            format!("the highest harmonic order is {order}; it must be from 1 to {MOST_HARMONICS}"),
        )),
        _ => Ok(()),
    }
}

/// Checks a nominal mains frequency.
fn check_nominal(hz: f64) -> Result<(), Error> {
    let (lowest, highest) = NOMINAL_HZ;
    if (lowest..=highest).contains(&hz) {
        return Ok(());
    }
    Err(ErrorKind::BadOption.error(format!(
            "the nominal mains frequency is {hz} Hz; it must be positive and finite, from {lowest} to {highest:e} Hz"
        ),
    ))
}

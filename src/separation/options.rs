//! What to separate, and how.

use crate::analysis::{MOST_HARMONICS, MainsChoice, NOMINAL_HZ};
use crate::setting::setters;
use crate::{Error, ErrorKind, setting};

/// Method of separation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Keep {
    /// The capture without interference (and without the offset that is taken out).
    #[default]
    Cleaned,
    /// Everything taken out but the offset.
    Interference,
    /// The mains series that was taken out.
    Mains,
    /// The offset that is taken out.
    Offset,
}

impl Keep {
    /// The fixed name.
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
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Offset {
    /// What a template, a reference or a second tip tells to be the loop's own is taken out; without one of them the
    /// offset stays.
    #[default]
    Own,
    /// Stays in the cleaned capture.
    Keep,
    /// The record's mean, as the hum leaves it, is taken out.
    Remove,
    /// This much is taken out, in the unit of the values.
    Value(f64),
}

/// Settings of a separation.
///
/// ```
/// let options = humsieve::separation::SeparateOptions::default().protect_hz([1000.0]);
/// options.check()?;
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct SeparateOptions {
    /// Method; by what is named.
    pub method: MethodChoice,
    /// Nominal mains frequency.
    pub mains: MainsChoice,
    /// Highest harmonic order, 1 to 1000; `None`: as many of these as lie below Nyquist.
    pub harmonics: Option<usize>,
    /// Component to write.
    pub keep: Keep,
    /// What becomes of the DC offset.
    pub offset: Offset,
    /// Frequencies of the wanted signal that are never removed, Hz.
    pub protect_hz: Vec<f64>,
    /// Only these channels, by name or 1-based number; empty: all but reference and second tip.
    pub channels: Vec<String>,
    /// Channel that senses the ground noise alone.
    pub reference: Option<String>,
    /// Second tip, to be subtracted.
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
    some reference: impl Into<String>;
    some minus: impl Into<String>;
    list protect_hz: f64;
    list channels: impl Into<String>;
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
            reference: None,
            minus: None,
            confidence: 0.95,
        }
    }
}

impl SeparateOptions {
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
        if self.reference.is_some() && self.minus.is_some() {
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

/// Settings of [`harmonic()`](super::harmonic()).
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct HarmonicOptions {
    /// Nominal mains frequency.
    pub mains: MainsChoice,
    /// Highest harmonic order, 1 to 1000; `None`: as many of these as lie below Nyquist.
    pub harmonics: Option<usize>,
    /// Frequencies that are never removed, Hz.
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

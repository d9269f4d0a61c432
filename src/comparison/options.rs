//! Settings of a comparison.

use crate::limit::Limit;
use crate::setting::setters;
use crate::{Condition, Error, ErrorKind, setting};
use serde::{Deserialize, Serialize};

/// What single captures must differ by before a change is called, dB: grid and loads change hum and
/// offset by several percent from one capture to the next (common practice, no source), which a single
/// capture cannot show.
pub const SINGLE_CAPTURE_MARGIN_DB: f64 = 1.0;

/// Settings of a comparison.
///
/// ```
/// use humsieve::comparison::CompareOptions;
/// let options = CompareOptions::default().confidence(0.99);
/// options.check()?;
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct CompareOptions {
    /// Level of every interval, strictly between 0 and 1.
    pub confidence: f64,
    /// Acceptance limits to be judged.
    pub limits: Vec<Limit>,
    /// A signal that is to be measured, for [`Comparison::signal`](super::Comparison::signal).
    pub signal: Option<WantedSignal>,
    /// The instrument's limits of error, for expanded uncertainties; all 0 where none is known.
    pub instrument: InstrumentLimits,
    /// The condition of every capture in the order in which they were taken, empty where that is not known: repeats of a
    /// sequence (looped, isolated, looped again) are recognised by it.
    pub sequence: Vec<Condition>,
}

setters!(CompareOptions {
    set confidence: f64;
    set instrument: InstrumentLimits;
    some signal: WantedSignal;
    list limits: Limit;
    list sequence: Condition;
});

impl Default for CompareOptions {
    fn default() -> Self {
        Self {
            confidence: 0.95,
            limits: Vec::new(),
            signal: None,
            instrument: InstrumentLimits::default(),
            sequence: Vec::new(),
        }
    }
}

impl CompareOptions {
    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        setting::confidence(self.confidence)?;
        for (name, limit) in [
            ("gain accuracy", self.instrument.gain),
            ("probe tolerance", self.instrument.probe),
            ("offset accuracy", self.instrument.offset),
        ] {
            if !(limit.is_finite() && limit >= 0.0) {
                return Err(ErrorKind::BadOption.error(format!(
                    "the {name} is {limit}; it must be finite and not negative"
                )));
            }
        }
        if let Some(signal) = &self.signal {
            signal.check()?;
        }
        Ok(())
    }
}

/// Limits of error of the instrument, each plus or minus, from its data sheet. They count as
/// rectangular distributions (JCGM 100:2008, 4.3.7).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct InstrumentLimits {
    /// Gain, as a fraction of the reading (0.01 is 1 %).
    pub gain: f64,
    /// Attenuation of the probe, as a fraction of the reading.
    pub probe: f64,
    /// Offset, in the unit of the channels.
    pub offset: f64,
}

setters!(InstrumentLimits {
    set gain: f64;
    set probe: f64;
    set offset: f64;
});

impl InstrumentLimits {
    /// Whether any limit was given.
    #[must_use]
    pub fn any(&self) -> bool {
        self.gain > 0.0 || self.probe > 0.0 || self.offset > 0.0
    }
}

/// A signal that is to be measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct WantedSignal {
    /// Its amplitude (peak), in the unit of the channels.
    pub amplitude: f64,
    /// To what fraction of itself its amplitude is to be read (0.01 is 1 %).
    pub accuracy: f64,
}

setters!(WantedSignal {
    set accuracy: f64;
});

impl WantedSignal {
    /// A signal of this amplitude (peak), to be read to 1 %.
    #[must_use]
    pub fn new(amplitude: f64) -> Self {
        Self {
            amplitude,
            accuracy: 0.01,
        }
    }

    fn check(&self) -> Result<(), Error> {
        setting::positive("the amplitude of the wanted signal", self.amplitude, "")?;
        setting::positive("the accuracy of the wanted signal", self.accuracy, "")
    }
}

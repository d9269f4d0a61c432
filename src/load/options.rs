//! What the user knows better than the file.

use crate::capture::{Coupling, RateOrigin, TimeBase};
use crate::setting::setters;
use crate::{Error, ErrorKind};
use serde::{Deserialize, Serialize};

/// What the user knows better than the file; by default the file is taken at its word.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct LoadOptions {
    /// Overrides the file's sample rate, Hz, or supplies a missing one.
    pub sample_rate_hz: Option<f64>,
    /// Unit of the values where the file does not say, with or without a prefix (`mV`); `None`: `V`. Values come in the unit
    /// without its prefix; one that is not known is taken as it is written.
    pub unit: Option<String>,
    /// Multiplies every value (probe attenuation, ADC gain); 1 by default.
    pub scale: f64,
    /// The plus or minus range of the instrument, V: digital full scale of WAV recordings (1 V by
    /// default), the clipping limit of text captures. `scale` applies to it as to the values.
    pub full_scale_v: Option<f64>,
    /// Input coupling the capture was taken with; `None`: what the file says.
    pub coupling: Option<Coupling>,
    /// Reads every row in full generality instead of taking the fast path for plain rows. The samples
    /// are the same; meant for checking just that.
    pub general_only: bool,
}

setters!(LoadOptions {
    set scale: f64;
    some sample_rate_hz: f64;
    some unit: impl Into<String>;
    some full_scale_v: f64;
    some coupling: Coupling;
});

impl Default for LoadOptions {
    fn default() -> Self {
        Self {
            sample_rate_hz: None,
            unit: None,
            scale: 1.0,
            full_scale_v: None,
            coupling: None,
            general_only: false,
        }
    }
}

impl LoadOptions {
    /// Checks the ranges of the options.
    ///
    /// # Errors
    /// `BadOption` for a rate out of 1e-6 to 1e12 Hz, a full
    /// scale that is not positive and finite, or a scale that is 0 or not finite.
    pub fn check(&self) -> Result<(), Error> {
        let positive = |value: Option<f64>| value.is_none_or(|v| v.is_finite() && v > 0.0);
        let bad = |message: &str| Err(ErrorKind::BadOption.error(message));
        if let Some(rate) = self.sample_rate_hz {
            TimeBase::from_rate(rate, RateOrigin::User).check()?;
        }
        if !positive(self.full_scale_v) {
            return bad("the full scale must be positive and finite");
        }
        if !self.scale.is_finite() || self.scale == 0.0 {
            return bad("the scale must be finite and not 0");
        }
        Ok(())
    }
}

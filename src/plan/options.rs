//! What is to be resolved, with which instrument.

use crate::analysis::MOST_HARMONICS;
use crate::setting::setters;
use crate::{Error, ErrorKind, setting};
use serde::{Deserialize, Serialize};

/// What is to be resolved, with which instrument.
///
/// What is `None` is not known; the plan's notes and advice say what was taken in its place.
///
/// ```
/// use humsieve::plan::{PlanOptions, plan};
/// let options = PlanOptions::resolving(10e-6).full_scale_v(0.2).bits(12).noise_density_v_per_rthz(1e-6);
/// let plan = plan(&options)?;
/// assert!(plan.record_s >= 0.2);
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct PlanOptions {
    /// Hum RMS, offset and added noise RMS to be told from nothing, V.
    pub resolve_v: f64,
    /// Nominal mains frequency, Hz.
    pub mains_hz: f64,
    /// Highest harmonic order to be measured, 1 to 1000.
    pub harmonics: usize,
    /// Upper edge of the band of interest, Hz, where it lies above the harmonics; `None`: the highest harmonic.
    pub band_high_hz: Option<f64>,
    /// Plus or minus range of the instrument, V; `None`: the advice tells which converters would do.
    pub full_scale_v: Option<f64>,
    /// Bits of its converter, 1 to 32; with the range they give its step.
    pub bits: Option<u32>,
    /// One-sided noise density of instrument and probe, V/√Hz, as the `baseline` captures show it; `None`: the converter's
    /// rounding alone is counted, and without its step the record is planned 0.2 s long.
    pub noise_density_v_per_rthz: Option<f64>,
    /// Offset to be expected between the grounds, V; `None`: 0.2 V (common practice, no source).
    pub offset_v: Option<f64>,
    /// Hum RMS to be expected with the loop closed, V; `None`: ten times what is to be resolved (common practice, no
    /// source).
    pub hum_v: Option<f64>,
    /// Level of the intervals, and chance of seeing what is just resolvable; strictly between 0 and 1.
    pub confidence: f64,
}

setters!(PlanOptions {
    set mains_hz: f64;
    set harmonics: usize;
    set confidence: f64;
    some band_high_hz: f64;
    some full_scale_v: f64;
    some bits: u32;
    some noise_density_v_per_rthz: f64;
    some offset_v: f64;
    some hum_v: f64;
});

impl PlanOptions {
    /// Defaults for a wanted resolution, V: 50 Hz, 40 orders, 95 %, nothing known of the instrument.
    #[must_use]
    pub fn resolving(resolve_v: f64) -> Self {
        Self {
            resolve_v,
            mains_hz: 50.0,
            harmonics: 40,
            band_high_hz: None,
            full_scale_v: None,
            bits: None,
            noise_density_v_per_rthz: None,
            offset_v: None,
            hum_v: None,
            confidence: 0.95,
        }
    }

    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        let required = [
            ("the voltage to be resolved", self.resolve_v),
            ("the nominal mains frequency", self.mains_hz),
        ];
        let optional = [
            ("the upper edge of the band", self.band_high_hz),
            ("the full scale", self.full_scale_v),
            ("the noise density", self.noise_density_v_per_rthz),
            ("the expected hum", self.hum_v),
        ];
        let given = optional
            .into_iter()
            .filter_map(|(name, value)| Some((name, value?)));
        for (name, value) in required.into_iter().chain(given) {
            setting::positive(name, value, "")?;
        }
        if self.offset_v.is_some_and(|offset| !offset.is_finite()) {
            return Err(bad("the expected offset must be finite".into()));
        }
        if !(1..=MOST_HARMONICS).contains(&self.harmonics) {
            return Err(bad(format!(
                "the highest harmonic order is {}; it must lie between 1 and {MOST_HARMONICS}",
                self.harmonics
            )));
        }
        if let Some(bits) = self.bits
            && !(1..=32).contains(&bits)
        {
            return Err(bad(format!(
                "the converter has {bits} bits; it must be 1 to 32"
            )));
        }
        setting::confidence(self.confidence)?;
        Ok(())
    }
}

fn bad(message: String) -> Error {
    ErrorKind::BadOption.error(message)
}

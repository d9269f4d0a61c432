//! What to measure.

use crate::{Error, ErrorKind};

/// Nominal mains frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum MainsChoice {
    /// Decide between 50 and 60 Hz.
    #[default]
    Auto,
    /// Search within 1 % of this frequency, Hz.
    Nominal(f64),
}

/// Parts of a [`Measurement`](super::Measurement) that are computed only where asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Detail {
    /// The noise density against frequency, for plots and band figures.
    pub spectrum: bool,
    /// The waveform folded on the mains cycle.
    pub folded: bool,
    /// Noise by third-octave bands.
    pub third_octaves: bool,
    /// Harmonic groups, subgroups and interharmonic groups of IEC 61000-4-7.
    pub harmonic_groups: bool,
}

/// Settings of a measurement.
///
/// ```
/// let options = humsieve::MeasureOptions { band_hz: Some((10.0, 20e3)), ..Default::default() };
/// options.check()?;
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureOptions {
    /// Nominal mains frequency.
    pub mains: MainsChoice,
    /// Band of the in-band noise, Hz; `None`: lowest resolvable to Nyquist.
    pub band_hz: Option<(f64, f64)>,
    /// Highest harmonic order of the model.
    pub harmonics: usize,
    /// Level of every interval, strictly between 0 and 1.
    pub confidence: f64,
    /// Length of a stretch of the time-resolved log, s; `None`: the whole record at once.
    pub every_s: Option<f64>,
    /// Only these channels, by name or 1-based number; empty: all.
    pub channels: Vec<String>,
    /// Correct the fundamental and its harmonics for the loss of this AC-coupling corner, Hz.
    pub ac_corner_hz: Option<f64>,
    /// Parts computed only where asked for.
    pub detail: Detail,
}

impl Default for MeasureOptions {
    fn default() -> Self {
        Self {
            mains: MainsChoice::Auto,
            band_hz: None,
            harmonics: 40,
            confidence: 0.95,
            every_s: None,
            channels: Vec::new(),
            ac_corner_hz: None,
            detail: Detail::default(),
        }
    }
}

impl MeasureOptions {
    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        let positive = |name: &str, value: f64| {
            if value.is_finite() && value > 0.0 {
                Ok(())
            } else {
                Err(bad(format!(
                    "{name} is {value}; it must be positive and finite"
                )))
            }
        };
        if let MainsChoice::Nominal(hz) = self.mains {
            positive("the nominal mains frequency", hz)?;
        }
        if let Some((low, high)) = self.band_hz
            && !(low.is_finite() && high.is_finite() && 0.0 <= low && low < high)
        {
            return Err(bad(format!(
                "the band is {low}:{high} Hz; it must be LOW:HIGH with 0 <= LOW < HIGH"
            )));
        }
        if self.harmonics == 0 {
            return Err(bad(
                "the highest harmonic order is 0; it must be at least 1".into(),
            ));
        }
        if !(self.confidence > 0.0 && self.confidence < 1.0) {
            return Err(bad(format!(
                "the confidence is {}; it must lie strictly between 0 and 1",
                self.confidence
            )));
        }
        if let Some(every) = self.every_s {
            positive("the length of a stretch", every)?;
        }
        if let Some(corner) = self.ac_corner_hz {
            positive("the corner of the AC coupling", corner)?;
        }
        Ok(())
    }
}

fn bad(message: String) -> Error {
    Error::new(ErrorKind::BadOption, message)
}

//! What to measure.

use crate::setting::setters;
use crate::{Error, ErrorKind, setting};
use serde::{Deserialize, Serialize};

/// Nominal mains frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MainsChoice {
    /// Decide between 50 and 60 Hz.
    #[default]
    Auto,
    /// Search within 1 % of this frequency, Hz, from 0.01 to 1e6 (2 % for a series of four orders or more, mainly odd).
    Nominal(f64),
}

/// Parts of a [`Measurement`](super::Measurement) that are computed only where asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct Detail {
    /// The noise density against frequency: [`Measurement::spectrum`](super::Measurement::spectrum).
    pub spectrum: bool,
    /// The waveform folded on the mains cycle: [`Measurement::folded`](super::Measurement::folded).
    pub folded: bool,
    /// Noise by third-octave bands: [`Noise::third_octaves`](super::Noise::third_octaves).
    pub third_octaves: bool,
    /// Harmonic groups, subgroups and interharmonic groups of IEC 61000-4-7:
    /// [`Measurement::harmonic_groups`](super::Measurement::harmonic_groups).
    pub harmonic_groups: bool,
}

setters!(Detail {
    set spectrum: bool;
    set folded: bool;
    set third_octaves: bool;
    set harmonic_groups: bool;
});

/// Highest order that may be asked for: each order costs a row of every fit.
pub const MOST_HARMONICS: usize = 1000;
/// Nominal mains frequencies that may be asked for, Hz.
pub const NOMINAL_HZ: (f64, f64) = (0.01, 1e6);
/// Share either side of nominal within which a grid's frequency lies.
pub(crate) const GRID_RANGE: f64 = 0.01;
/// Highest level of an interval: beyond it the ends tell of rounding alone.
pub const HIGHEST_CONFIDENCE: f64 = 1.0 - 1e-9;

impl MainsChoice {
    /// The nominal frequencies that are tried, Hz.
    pub(crate) fn nominals_hz(&self) -> &[f64] {
        match self {
            Self::Auto => &[50.0, 60.0],
            Self::Nominal(hz) => std::slice::from_ref(hz),
        }
    }
}

/// Settings of a measurement.
///
/// By default: 50 or 60 Hz as the record shows, the whole band, 40 harmonics, a level of 0.95, the whole record of every
/// channel at once, no details.
///
/// ```
/// let options = humsieve::MeasureOptions::default().band_hz((10.0, 20e3)).harmonics(20);
/// options.check()?;
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct MeasureOptions {
    /// Nominal mains frequency, near which the series is sought.
    pub mains: MainsChoice,
    /// Band of the in-band noise, lower and upper edge, Hz; `None`: from the lowest that the record resolves to half the
    /// rate. What the record does not resolve of it is left off, with a warning.
    pub band_hz: Option<(f64, f64)>,
    /// Highest harmonic order of the model, 1 to 1000.
    pub harmonics: usize,
    /// Level of every interval, above 0 and up to 1 - 1e-9.
    pub confidence: f64,
    /// Length, s, of stretches that are each measured by themselves, at least 16 samples; the last one may be down to half
    /// as long, a shorter rest is left out. `None`: the whole record at once.
    pub every_s: Option<f64>,
    /// Only these channels, in this order, by name, else by 1-based number; empty: all.
    pub channels: Vec<String>,
    /// Corner of a first-order AC coupling, Hz, for whose loss the fundamental and its harmonics are corrected; `None`: that
    /// of the capture, where it states one.
    pub ac_corner_hz: Option<f64>,
    /// Parts computed only where asked for.
    pub detail: Detail,
}

setters!(MeasureOptions {
    set mains: MainsChoice;
    set harmonics: usize;
    set confidence: f64;
    set detail: Detail;
    some band_hz: (f64, f64);
    some every_s: f64;
    some ac_corner_hz: f64;
    list channels: impl Into<String>;
});

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
        let positive = |name: &str, value: f64| setting::positive(name, value, "");
        if let MainsChoice::Nominal(hz) = self.mains {
            positive("the nominal mains frequency", hz)?;
            if !(NOMINAL_HZ.0..=NOMINAL_HZ.1).contains(&hz) {
                return Err(bad(format!(
                    "the nominal mains frequency is {hz} Hz; it must lie between {} and {} Hz",
                    NOMINAL_HZ.0, NOMINAL_HZ.1
                )));
            }
        }
        if let Some((low, high)) = self.band_hz
            && !(low.is_finite() && high.is_finite() && 0.0 <= low && low < high)
        {
            return Err(bad(format!(
                "the band is {low}:{high} Hz; it must be LOW:HIGH with 0 <= LOW < HIGH"
            )));
        }
        if !(1..=MOST_HARMONICS).contains(&self.harmonics) {
            return Err(bad(format!(
                "the highest harmonic order is {}; it must lie between 1 and {MOST_HARMONICS}",
                self.harmonics
            )));
        }
        setting::confidence(self.confidence)?;
        if self.confidence > HIGHEST_CONFIDENCE {
            return Err(bad(format!(
                "the confidence is {}; above {HIGHEST_CONFIDENCE} intervals tell of rounding alone",
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
    ErrorKind::BadOption.error(message)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(options: &MeasureOptions) -> String {
        let error = options.check().unwrap_err();
        assert_eq!(error.kind(), ErrorKind::BadOption);
        error.to_string()
    }

    /// A limit that is refused is named.
    #[test]
    fn options_without_end_are_refused_with_their_limits() {
        let with = |change: &dyn Fn(&mut MeasureOptions)| {
            let mut options = MeasureOptions::default();
            change(&mut options);
            options
        };
        assert!(refusal(&with(&|o| o.harmonics = 1_000_000)).contains("1000"));
        assert!(refusal(&with(&|o| o.harmonics = 0)).contains("1000"));
        let mains = |hz: f64| with(&move |o| o.mains = MainsChoice::Nominal(hz));
        assert!(refusal(&mains(1e-6)).contains("0.01"));
        assert!(refusal(&mains(1e9)).contains("1000000"));
        assert!(refusal(&with(&|o| o.confidence = 1.0 - 1e-15)).contains("0.999999999"));
        for good in [mains(0.01), mains(6000.0), with(&|o| o.harmonics = 1000)] {
            good.check().unwrap();
        }
        with(&|o| o.confidence = 0.999_999_9).check().unwrap();
    }
}

//! The session file.

use super::setup::{Remedy, Setup};
use crate::MeasureOptions;
use crate::analysis::MainsChoice;
use crate::capture::{Condition, Coupling};
use crate::comparison::{InstrumentLimits, WantedSignal};
use crate::limit::Limit;
use serde::{Deserialize, Serialize};

/// A bench session as written down: set-up, instrument, remedies, captures and limits.
///
/// ```
/// use humsieve::session::Session;
/// let text = r#"
/// title = "Load-cell amplifier"
/// [[capture]]
/// file = "loop.csv"
/// condition = "looped"
/// "#;
/// let session = Session::parse(text, "session.toml")?;
/// assert_eq!(session.measure_options().harmonics, 40);
///
/// let error = Session::parse("titel = 'x'", "session.toml").unwrap_err();
/// assert!(error.to_string().starts_with(
///     "session.toml: line 1: key `titel` is not understood; did you mean `title`?"
/// ));
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Session {
    /// What the report is called.
    pub(crate) title: String,
    /// When the captures were taken.
    pub(crate) date: Option<String>,
    /// Who took them.
    pub(crate) operator: Option<String>,
    /// What was tested.
    pub(crate) object: Option<String>,
    /// Number of the report.
    pub(crate) report_number: Option<String>,
    /// For whom the test was made.
    pub(crate) customer: Option<String>,
    /// Where the test was made.
    pub(crate) place: Option<String>,
    /// Who is to sign the report.
    pub(crate) signatures: Vec<Signature>,
    /// Anything else for the record.
    pub(crate) remarks: Option<String>,
    /// Nominal mains frequency, Hz; `None` decides between 50 and 60.
    pub(crate) mains_hz: Option<f64>,
    /// Band of the noise figures, Hz; `None`: lowest resolvable to Nyquist.
    pub(crate) band_hz: Option<(f64, f64)>,
    /// Highest harmonic order of the model.
    pub(crate) harmonics: usize,
    /// Level of every interval.
    pub(crate) confidence: f64,
    /// How both sides meet earth.
    pub(crate) setup: Setup,
    /// The instrument and its limits of error.
    pub(crate) instrument: Instrument,
    /// Remedies tried.
    pub(crate) remedies: Vec<Remedy>,
    /// Captures with their conditions.
    pub(crate) captures: Vec<CaptureEntry>,
    /// The signal that is to be measured in the end.
    pub(crate) wanted: Option<ExpectedSignal>,
    /// Acceptance limits: on the upper bounds of readings, on the lower bounds of reductions.
    pub(crate) limits: Vec<Limit>,
}

/// One who is to sign the report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signature {
    /// As what: `tested`, `approved`, in free words.
    pub role: String,
    /// Whose signature it is; `None` leaves the place to be written in by hand.
    pub name: Option<String>,
}

/// The instrument: settings that hold for every capture unless it says otherwise, and limits of
/// error as its data sheet states them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct Instrument {
    /// What it is, in free words.
    pub description: Option<String>,
    /// Its serial number.
    pub serial_number: Option<String>,
    /// The probe or lead that was used.
    pub probe: Option<String>,
    /// When it was calibrated last.
    pub calibrated: Option<String>,
    /// Number of the calibration's certificate.
    pub certificate: Option<String>,
    /// When the next calibration is due.
    pub calibration_due: Option<String>,
    /// Plus or minus range, V.
    pub full_scale_v: Option<f64>,
    /// Bits of the converter.
    pub bits: Option<u32>,
    /// Input coupling.
    pub coupling: Option<Coupling>,
    /// Corner of the AC coupling, Hz.
    pub ac_corner_hz: Option<f64>,
    /// Attenuation of the probe (10 for a 10:1 probe).
    pub probe_factor: Option<f64>,
    /// Limit of error of the probe's attenuation, percent.
    pub probe_tolerance_percent: Option<f64>,
    /// Limit of error of the gain, percent of reading.
    pub gain_accuracy_percent: Option<f64>,
    /// Limit of error of the offset, V.
    pub offset_accuracy_v: Option<f64>,
}

/// One capture and how it was taken; what is not said here holds as in [`Instrument`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureEntry {
    /// File, relative to the session file.
    pub file: String,
    /// How the probe was connected.
    pub condition: Condition,
    /// The remedy in place, for `isolated`.
    pub remedy: Option<String>,
    /// Channel by name or 1-based number; `None`: the first.
    pub channel: Option<String>,
    /// Input coupling.
    pub coupling: Option<Coupling>,
    /// Plus or minus range, V.
    pub full_scale_v: Option<f64>,
    /// Overrides or supplies the sample rate, Hz.
    pub sample_rate_hz: Option<f64>,
    /// Unit of the values where the file does not say.
    pub unit: Option<String>,
    /// Factor on every value.
    pub scale: Option<f64>,
    /// Anything else.
    pub remarks: Option<String>,
}

/// The signal that is to be measured once the interference is dealt with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExpectedSignal {
    /// What it is.
    pub description: Option<String>,
    /// Its frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Its RMS (of a sine), V.
    pub rms_v: Option<f64>,
    /// To what part of itself it is to be read, percent; `None`: 1 %.
    pub accuracy_percent: Option<f64>,
}

impl Session {
    /// How every capture of the session is to be measured: with its mains, band, orders and level, spectrum and folded cycle
    /// included.
    #[must_use]
    pub fn measure_options(&self) -> MeasureOptions {
        let mut options = MeasureOptions {
            mains: self
                .mains_hz
                .map_or(MainsChoice::Auto, MainsChoice::Nominal),
            band_hz: self.band_hz,
            harmonics: self.harmonics,
            confidence: self.confidence,
            ..MeasureOptions::default()
        };
        options.detail.spectrum = true;
        options.detail.folded = true;
        options
    }

    /// The instrument's limits of error, as a comparison takes them; 0 where the session does not state one.
    #[must_use]
    pub fn instrument_limits(&self) -> InstrumentLimits {
        let fraction = |percent: Option<f64>| percent.unwrap_or(0.0) / 100.0;
        InstrumentLimits {
            gain: fraction(self.instrument.gain_accuracy_percent),
            probe: fraction(self.instrument.probe_tolerance_percent),
            offset: self.instrument.offset_accuracy_v.unwrap_or(0.0),
        }
    }

    /// The wanted signal, as a comparison takes it; `None` where its size is not stated.
    #[must_use]
    pub fn wanted_signal(&self) -> Option<WantedSignal> {
        let wanted = self.wanted.as_ref()?;
        let mut signal = WantedSignal::new(wanted.rms_v? * std::f64::consts::SQRT_2);
        if let Some(percent) = wanted.accuracy_percent {
            signal.accuracy = percent / 100.0;
        }
        Some(signal)
    }

    /// The name of the remedy in place when an isolated capture was taken.
    #[must_use]
    pub(crate) fn remedy_of<'a>(&'a self, capture: &'a CaptureEntry) -> Option<&'a str> {
        if capture.condition != Condition::Isolated {
            return None;
        }
        let only = self.remedies.first().map(|remedy| remedy.name.as_str());
        Some(capture.remedy.as_deref().or(only).unwrap_or("loop broken"))
    }
}

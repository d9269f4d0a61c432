//! The result of a measurement. Field names are those of the JSON output.

use super::harmonic_groups::HarmonicGroups;
use crate::Warning;
use crate::capture::Acquisition;
use crate::numeric::null;
use crate::stats::{Estimate, LinePower};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Everything measured of one channel (or of one stretch of it).
///
/// Offset, amplitudes and densities are in the unit of the channel's values: V, where a name ends in `_v` or `_v2`, stands
/// for that unit. What the record cannot tell is `None`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Measurement {
    /// Name of the capture.
    pub file: String,
    /// Name of the channel.
    pub channel: String,
    /// Unit of the offset and of every amplitude here, as the channel states it.
    pub unit: String,
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Number of frames, those with missing or clipped samples included.
    pub samples: u64,
    /// Length, s: frames over rate.
    pub duration_s: f64,
    /// Start of the stretch within the record, s; only with [`MeasureOptions::every_s`](crate::MeasureOptions::every_s).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start_s: Option<f64>,
    /// Level of every interval, between 0 and 1.
    pub confidence: f64,
    /// DC offset; for an AC-coupled capture that of the coupled signal.
    pub dc_offset: Estimate,
    /// Mains content; below one cycle it has neither figures nor harmonics.
    pub mains: Mains,
    /// The mains content at the other of 50 and 60 Hz, where neither was detected and both were asked for: a
    /// comparison with captures of either then has it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_mains: Option<Box<Mains>>,
    /// In-band noise.
    pub noise: Noise,
    /// Lines that are no modelled mains harmonic, by falling RMS; noise alone puts one here in 1 % of records.
    pub tones: Vec<Tone>,
    /// Plain figures of the waveform.
    pub waveform: Waveform,
    /// What limits the figures.
    pub quality: Quality,
    /// What points to a cause; empty where nothing does.
    pub evidence: Vec<Evidence>,
    /// Groups of IEC 61000-4-7, where asked for; `None` below one window of 10 or 12 cycles and
    /// where no mains between 42.5 and 69 Hz was detected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub harmonic_groups: Option<HarmonicGroups>,
    /// Settings the capture was taken with, as its source states them.
    pub acquisition: Acquisition,
    /// Noise density against frequency, where asked for. `MeasurementWriter` leaves it out of lines of JSON.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectrum: Option<Spectrum>,
    /// Cycle-folded waveform, where asked for and the mains was detected. `MeasurementWriter` leaves it out of lines of
    /// JSON.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub folded: Option<Folded>,
    /// Hum and frequency against time, a point for each segment of about a second; `None` where the record is fitted as
    /// one. `MeasurementWriter` leaves it out of lines of JSON.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub track: Option<Track>,
}

impl Measurement {
    /// The same without what a line of JSON leaves out: figures against frequency, phase and time.
    pub(crate) fn without_curves(&self) -> Self {
        Self {
            spectrum: None,
            folded: None,
            track: None,
            ..self.clone()
        }
    }
}

/// The mains series: harmonics of one fundamental.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Mains {
    /// Nominal frequency, 50 or 60 Hz unless the user named another.
    pub nominal_hz: f64,
    /// Whether the series was found, at a false-alarm probability of 1 %.
    pub detected: bool,
    /// The record's mean fundamental frequency, Hz; `None` where the series was not found.
    pub frequency_hz: Option<Estimate>,
    /// Root sum of squares of all modelled harmonics' RMS; from 0 where the series was not found, `None` below one cycle.
    pub hum_rms: Option<Estimate>,
    /// Harmonics over fundamental, percent: the root sum of squares of orders 2 and up, the noise's part taken off, over the
    /// RMS of order 1. `None` where the fundamental is not detected.
    pub thd_percent: Option<f64>,
    /// Modelled harmonics by rising order, from 1 without a gap; empty below one cycle.
    pub harmonics: Vec<Harmonic>,
    /// Power of the whole series beside its noise: what ratios of hum are made of.
    pub power: LinePower,
}

/// One harmonic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Harmonic {
    /// Multiple of the fundamental frequency; 1 is the fundamental itself.
    pub order: usize,
    /// RMS amplitude; its interval begins at 0 where the harmonic is not detected.
    pub rms: Estimate,
    /// Phase of a cosine at the record's first sample, degrees from -180 to 180 (the interval may reach beyond); `None`
    /// where its standard uncertainty is above 1 rad.
    pub phase_deg: Option<Estimate>,
    /// Whether it stands above the noise: a chance of 1 % that any of a record's harmonics is told without being there.
    pub detected: bool,
    /// Its power beside its noise: what ratios of it are made of.
    pub power: LinePower,
}

/// In-band noise: what is neither DC, mains harmonic nor listed tone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Noise {
    /// The band that was used, lower and upper edge, Hz.
    pub band_hz: (f64, f64),
    /// RMS within the band.
    pub rms: Estimate,
    /// One-sided density, V/√Hz: the band's noise power per hertz, square-rooted.
    pub density_v_per_rthz: Estimate,
    /// Frequency, Hz, below which the noise power rises as 1/f; `None` where none is resolved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corner_hz: Option<f64>,
    /// Noise by base-ten third-octave bands (IEC 61260-1) that lie wholly within the band, by rising frequency; empty where
    /// not asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub third_octaves: Vec<BandNoise>,
}

/// Noise of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct BandNoise {
    /// Exact lower and upper edge, Hz.
    pub band_hz: (f64, f64),
    /// RMS within them.
    pub rms: Estimate,
}

/// A line that is no modelled mains harmonic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Tone {
    /// Frequency, Hz.
    pub frequency_hz: Estimate,
    /// RMS amplitude.
    pub rms: Estimate,
    /// How it belongs to the mains (`order 41 of the mains`: above the modelled orders; `possibly the mains at 50 Hz,
    /// folded`) or to a stronger tone (`multiple 2 of ...`, `sideband of ...`); `None` where it does to neither.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relation: Option<String>,
    /// Its power beside its noise: what ratios of it are made of.
    pub power: LinePower,
}

/// Plain figures of the waveform, of its finite samples and without intervals; in the channel's unit but for the crest
/// factor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Waveform {
    /// Root mean square, offset included.
    pub rms: f64,
    /// Root mean square about the mean.
    pub ac_rms: f64,
    /// Largest less smallest.
    pub peak_to_peak: f64,
    /// Largest magnitude about the mean over `ac_rms`; 0 for a constant.
    pub crest_factor: f64,
    /// Smallest sample.
    pub min: f64,
    /// Largest sample.
    pub max: f64,
}

/// What limits the figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Quality {
    /// Samples at or beyond a limit of the range, stated or seen, and those that are infinite.
    pub clipped_samples: u64,
    /// Samples that were missing (NaN).
    pub missing_samples: u64,
    /// The converter's step, in the channel's unit: as stated, else where the values show one.
    pub lsb: Option<f64>,
    /// Warnings with what to do next.
    pub warnings: Vec<Warning>,
}

/// Kinds of evidence for a cause. The first six, and `GroundOffset`, come from conditions held against each other; the
/// others from one record, which shows what may be there but no path.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum EvidenceKind {
    /// The hum came with the connection to the source: by which way is not told yet.
    Connection,
    /// The hum went when the loop was opened: a current around the loop carries it.
    Conducted,
    /// What is left with the loop opened is one share of every order: a resistive path.
    ResistivePath,
    /// What is left with the loop opened rises with order: capacitance across the barrier.
    CapacitiveBarrier,
    /// Hum did not fall when the loop opened: pick-up.
    PickUp,
    /// An offset came with the loop and went with it: ground potential difference.
    GroundOffset,
    /// Harmonics rise with order: possibly induced by a changing field.
    Induced,
    /// Even orders dominate: possibly a rectifier.
    Rectifier,
    /// The orders are in step as of steep edges twice a cycle: possibly phase-cut loads.
    PhaseCut,
    /// A line with sidebands at twice the mains: possibly a switching supply.
    SwitchingSupply,
    /// Multiples of one frequency that is no mains: possibly a motor.
    Motor,
}

/// One piece of evidence: what it points to, the numbers it rests on, what else would look alike, the next safe thing
/// to try.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Evidence {
    /// What it points to.
    pub kind: EvidenceKind,
    /// One sentence with the numbers in words.
    pub finding: String,
    /// The numbers, by name.
    pub numbers: BTreeMap<String, f64>,
    /// What else would look alike.
    #[serde(default)]
    pub alternatives: Vec<String>,
    /// The next safe thing to try.
    pub next_step: String,
}

impl Evidence {
    /// A piece of evidence without alternatives; numbers that are not finite are left out.
    #[must_use]
    pub fn new(
        kind: EvidenceKind,
        finding: impl Into<String>,
        numbers: impl IntoIterator<Item = (&'static str, f64)>,
        next_step: impl Into<String>,
    ) -> Self {
        Self {
            kind,
            finding: finding.into(),
            numbers: numbers
                .into_iter()
                .filter(|(_, value)| value.is_finite())
                .map(|(name, value)| (name.to_owned(), value))
                .collect(),
            alternatives: Vec::new(),
            next_step: next_step.into(),
        }
    }

    /// The same with what else would look alike.
    #[must_use]
    pub fn or<T: Into<String>>(mut self, alternatives: impl IntoIterator<Item = T>) -> Self {
        self.alternatives
            .extend(alternatives.into_iter().map(Into::into));
        self
    }
}

/// One-sided noise density against frequency; all three vectors are of one length.
///
/// Averaged over sine tapers (K. S. Riedel and A. Sidorenko, IEEE Trans. Signal Processing 43(1), 1995; D. B. Percival and
/// A. T. Walden, Spectral Analysis for Physical Applications, 1993). At high rates the upper part is on a coarser grid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Spectrum {
    /// Frequencies, Hz, rising; 0 Hz is not among them.
    pub frequency_hz: Vec<f64>,
    /// Density of everything but the offset, V/√Hz: lines stand up in it.
    pub total_v_per_rthz: Vec<f64>,
    /// Density with DC, hum and tones taken out and filled at their neighbours' level, V/√Hz.
    pub noise_v_per_rthz: Vec<f64>,
    /// Degrees of freedom of each density value, as a power.
    #[serde(deserialize_with = "null::infinite")]
    pub degrees_of_freedom: f64,
}

impl Spectrum {
    /// Densities against frequency; the vectors are to be of one length.
    #[must_use]
    pub fn new(
        frequency_hz: Vec<f64>,
        total_v_per_rthz: Vec<f64>,
        noise_v_per_rthz: Vec<f64>,
        degrees_of_freedom: f64,
    ) -> Self {
        Self {
            frequency_hz,
            total_v_per_rthz,
            noise_v_per_rthz,
            degrees_of_freedom,
        }
    }
}

/// The waveform folded on the mains cycle: mean and spread by phase, each vector with a value for every bin.
///
/// A cycle is 200 bins, of which those without a sample are left out; it begins at the crest of the fundamental.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Folded {
    /// Phase of each bin's middle, in cycles from 0 to 1.
    pub phase_cycles: Vec<f64>,
    /// Mean of the samples of each bin, offset taken off.
    pub mean: Vec<f64>,
    /// Standard deviation of the samples of each bin.
    pub deviation: Vec<f64>,
}

impl Folded {
    /// Mean and spread by phase; the vectors are to be of one length.
    #[must_use]
    pub fn new(phase_cycles: Vec<f64>, mean: Vec<f64>, deviation: Vec<f64>) -> Self {
        Self {
            phase_cycles,
            mean,
            deviation,
        }
    }
}

/// Hum and frequency against time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Track {
    /// Points by rising time.
    pub points: Vec<TrackPoint>,
}

impl Track {
    /// Points by rising time.
    #[must_use]
    pub fn new(points: Vec<TrackPoint>) -> Self {
        Self { points }
    }
}

/// One point of a [`Track`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrackPoint {
    /// Middle of the segment, s from the record's first sample.
    pub time_s: f64,
    /// Fundamental frequency, Hz; NaN (`null` as JSON) where the segment does not resolve it.
    #[serde(deserialize_with = "null::unknown")]
    pub frequency_hz: f64,
    /// Hum RMS within the segment, as fitted: what noise adds to it is not taken off.
    pub hum_rms: f64,
    /// Offset within the segment.
    pub dc_offset: f64,
}

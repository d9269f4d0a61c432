//! The result of a measurement. Field names are those of the JSON output.

use super::harmonic_groups::HarmonicGroups;
use crate::Warning;
use crate::capture::Acquisition;
use crate::stats::{Estimate, LinePower};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Everything measured of one channel (or of one stretch of it).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Measurement {
    /// Name of the capture.
    pub file: String,
    /// Name of the channel.
    pub channel: String,
    /// Unit of every amplitude here.
    pub unit: String,
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Number of frames.
    pub samples: u64,
    /// Length, s.
    pub duration_s: f64,
    /// Start of the stretch within the record, s; only in a time-resolved log.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start_s: Option<f64>,
    /// Level of every interval.
    pub confidence: f64,
    /// DC offset; for an AC-coupled capture that of the coupled signal.
    pub dc_offset: Estimate,
    /// Mains content; `None` below one cycle.
    pub mains: Mains,
    /// The mains content at the other of 50 and 60 Hz, where neither was detected and both were asked for: a
    /// comparison with captures of either then has it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_mains: Option<Box<Mains>>,
    /// In-band noise.
    pub noise: Noise,
    /// Lines that are no mains harmonic, by falling RMS.
    pub tones: Vec<Tone>,
    /// Plain figures of the waveform.
    pub waveform: Waveform,
    /// What limits the figures.
    pub quality: Quality,
    /// What points to a cause.
    pub evidence: Vec<Evidence>,
    /// Groups of IEC 61000-4-7, where asked for; `None` below one window of 10 or 12 cycles and
    /// where no mains near 50 or 60 Hz was detected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub harmonic_groups: Option<HarmonicGroups>,
    /// Settings the capture was taken with.
    pub acquisition: Acquisition,
    /// Noise density against frequency, where asked for.
    #[serde(skip)]
    pub spectrum: Option<Spectrum>,
    /// Cycle-folded waveform, where asked for and the mains was detected.
    #[serde(skip)]
    pub folded: Option<Folded>,
    /// Hum and frequency against time, for records of several segments.
    #[serde(skip)]
    pub track: Option<Track>,
}

/// The mains series: harmonics of one fundamental.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Mains {
    /// Nominal frequency, 50 or 60 Hz unless the user named another.
    pub nominal_hz: f64,
    /// Whether the series was found, at a false-alarm probability of 1 %.
    pub detected: bool,
    /// The record's mean fundamental frequency; `None` where it was held at nominal.
    pub frequency_hz: Option<Estimate>,
    /// Root sum of squares of all modelled harmonics; `None` below one cycle.
    pub hum_rms: Option<Estimate>,
    /// Harmonics over fundamental, percent; `None` where the fundamental is not resolved.
    pub thd_percent: Option<f64>,
    /// Modelled harmonics by order.
    pub harmonics: Vec<Harmonic>,
    /// The series' power beside its noise, for ratios.
    pub power: LinePower,
}

/// One harmonic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Harmonic {
    /// 1 is the fundamental.
    pub order: usize,
    /// RMS amplitude.
    pub rms: Estimate,
    /// Phase of a cosine at the record's first sample, degrees; `None` where it is not resolved.
    pub phase_deg: Option<Estimate>,
    /// Whether it stands above the noise, at a family-wise false-alarm probability of 1 %.
    pub detected: bool,
    /// Its power beside its noise, for ratios.
    pub power: LinePower,
}

/// In-band noise: what is neither DC, mains harmonic nor listed tone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Noise {
    /// The band that was used, Hz.
    pub band_hz: (f64, f64),
    /// RMS within the band.
    pub rms: Estimate,
    /// One-sided density: the band's noise power per hertz, square-rooted.
    pub density_v_per_rthz: Estimate,
    /// Frequency below which the density rises as 1/f, where one is resolved, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corner_hz: Option<f64>,
    /// Noise by third-octave bands, where asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub third_octaves: Vec<BandNoise>,
}

/// Noise of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct BandNoise {
    /// Exact edges, Hz.
    pub band_hz: (f64, f64),
    /// RMS within them.
    pub rms: Estimate,
}

/// A line that is no mains harmonic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Tone {
    /// Frequency, Hz.
    pub frequency_hz: Estimate,
    /// RMS amplitude.
    pub rms: Estimate,
    /// How it belongs to the mains (`order 41 of the mains`: above the modelled orders) or to another
    /// tone (`multiple of`, `sideband of`), where it does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relation: Option<String>,
    /// Its power beside its noise, for ratios.
    pub power: LinePower,
}

/// Plain figures of the waveform, of finite samples.
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
    /// Samples at or beyond the limit of the range.
    pub clipped_samples: u64,
    /// Samples that were missing.
    pub missing_samples: u64,
    /// The converter's step, where the values show one.
    pub lsb: Option<f64>,
    /// Warnings with what to do next.
    pub warnings: Vec<Warning>,
}

/// Kinds of evidence for a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum EvidenceKind {
    /// Harmonics fall with order: carried by wire.
    Conducted,
    /// Harmonics rise with order: induced by a changing field.
    Induced,
    /// Even orders dominate: rectifiers.
    Rectifier,
    /// Narrow pulses in the folded cycle: phase-cut loads.
    PhaseCut,
    /// Tones with sidebands at twice the mains: switching supplies.
    SwitchingSupply,
    /// Hum did not fall when the loop opened: pick-up.
    PickUp,
    /// An offset stands beside the hum: ground potential difference.
    GroundOffset,
}

/// One piece of evidence: what it points to, the numbers it rests on, the next safe thing to try.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Evidence {
    /// What it points to.
    pub kind: EvidenceKind,
    /// One sentence with the numbers in words.
    pub finding: String,
    /// The numbers, by name.
    pub numbers: BTreeMap<String, f64>,
    /// The next safe thing to try.
    pub next_step: String,
}

impl Evidence {
    /// A piece of evidence.
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
            next_step: next_step.into(),
        }
    }
}

/// One-sided noise density against frequency.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Spectrum {
    /// Frequencies, Hz, rising.
    pub frequency_hz: Vec<f64>,
    /// Density of everything but the offset, V/√Hz: lines stand up in it.
    pub total_v_per_rthz: Vec<f64>,
    /// Density with DC, hum and tones taken out and filled at their neighbours' level, V/√Hz.
    pub noise_v_per_rthz: Vec<f64>,
    /// Degrees of freedom of each density value.
    pub degrees_of_freedom: f64,
}

impl Spectrum {
    /// Densities against frequency.
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

/// The waveform folded on the mains cycle: mean and spread by phase.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Folded {
    /// Phase of each bin's middle, in cycles from 0 to 1.
    pub phase_cycles: Vec<f64>,
    /// Mean of the samples of the bin, offset taken off.
    pub mean: Vec<f64>,
    /// Standard deviation of the samples of the bin.
    pub deviation: Vec<f64>,
}

impl Folded {
    /// Mean and spread by phase.
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
#[derive(Debug, Clone, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Middle of the segment, s from the record's start.
    pub time_s: f64,
    /// Fundamental frequency, Hz; NaN where the segment does not resolve it.
    pub frequency_hz: f64,
    /// Hum RMS within the segment.
    pub hum_rms: f64,
    /// Offset within the segment.
    pub dc_offset: f64,
}

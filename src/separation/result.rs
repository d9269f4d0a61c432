//! What a separation took out, and what it may have harmed.

use crate::Warning;
use crate::numeric::null;
use crate::stats::Estimate;
use serde::{Deserialize, Serialize};

/// The method that was used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[non_exhaustive]
pub enum Method {
    /// The mains series of one channel, tracked.
    Harmonic,
    /// The waveform of an interference-only capture, aligned.
    Template,
    /// What is coherent with a reference channel.
    Reference,
    /// A second tip, gain and delay matched.
    Difference,
}

/// What was taken out, in the channel's unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Removed {
    /// The offset that was taken out; 0 where it was left in.
    pub dc_offset: f64,
    /// RMS of the mains series, without the noise that the fit took along; 0 where none was fitted.
    pub mains_rms: f64,
    /// RMS of all that was coherent with another channel; 0 where none was used.
    pub coherent_rms: f64,
}

/// A band in which a wanted signal would have been harmed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct TouchedBand {
    /// Lower edge, Hz; a steady wanted tone inside the band would be taken out with the hum.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// RMS that was taken out there, in the channel's unit.
    pub removed_rms: f64,
}

/// Frequency, amplitudes and phases against time, some thousands of times at most; all vectors are empty where no
/// series was taken out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[non_exhaustive]
pub struct HumTrack {
    /// Times, s from the record's start, rising.
    pub time_s: Vec<f64>,
    /// Fundamental frequency at these times, Hz.
    pub frequency_hz: Vec<f64>,
    /// The orders that were taken out; order 1 is the fundamental.
    pub orders: Vec<usize>,
    /// RMS amplitude in the channel's unit: a vector for each of `orders`, with a value for each time, 0 where the order was
    /// not taken out.
    pub rms: Vec<Vec<f64>>,
    /// Phase of each of `orders`, as a cosine's, less order times the fundamental's running phase, rad: a vector for each
    /// order, with a value for each time, NaN (`null` as JSON) where the order was not taken out.
    #[serde(deserialize_with = "null::unknown_in_rows")]
    pub phase_rad: Vec<Vec<f64>>,
}

impl HumTrack {
    fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// How a template, a reference or a second tip fitted; of a long record, in the longest part that was worked at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct Match {
    /// Gain from the other waveform to the interference; of several references, that of the one which brings most of it.
    pub gain: f64,
    /// Delay of the interference behind the other waveform, s; of several references, behind the same one.
    pub delay_s: f64,
    /// Share of the interference's power that the match explains, 0 to 1: a coherence, of several references their multiple
    /// coherence (J. S. Bendat & A. G. Piersol, Random Data, chapter on multiple-input systems, from memory).
    pub coherence: f64,
    /// Best reduction that the coherence γ² allows, dB: 10 log₁₀(1/(1 - γ²)) (B. Widrow et al., Proc. IEEE 63,
    /// 1975, from memory), no less than what was reached; `None` for a template and where all is coherent.
    pub bound_db: Option<f64>,
    /// Reduction of the record's power that was reached, dB, the wanted signal's power counted; `None` where nothing is
    /// left. Of a template it is that of the orders that agree.
    pub reached_db: Option<f64>,
    /// Rejection against frequency, before and after matching, an octave each; empty but for the difference method.
    pub rejection: Vec<Rejection>,
    /// Factor by which independent noise of the two channels, and the converter's step, grew; 1 for a template.
    pub noise_factor: f64,
    /// Each reference in the order in which they were named; empty but for the reference method.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub references: Vec<ReferenceMatch>,
    /// Coherence against frequency, an octave each; empty but for the reference method.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub coherence_by_octave: Vec<Coherence>,
}

/// What one reference brings to the interference, beside the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[non_exhaustive]
pub struct ReferenceMatch {
    /// Name of its channel.
    pub channel: String,
    /// Gain from it to the interference; 0 where it adds nothing to the others and was left out.
    pub gain: f64,
    /// Delay of its part of the interference behind it, s; 0 where it was left out.
    pub delay_s: f64,
}

/// Coherence with the references in one octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Coherence {
    /// Geometric centre of the octave, Hz.
    pub frequency_hz: f64,
    /// Share of the power there that the references explain together, less what chance explains, 0 to 1.
    pub coherence: f64,
}

/// Common-mode rejection at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Rejection {
    /// Geometric centre of the octave, Hz.
    pub frequency_hz: f64,
    /// Rejection of plain subtraction, dB.
    pub before_db: f64,
    /// Rejection after matching gain and delay, dB.
    pub after_db: f64,
}

/// A stretch in which samples stood at the limit of the range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ClippedStretch {
    /// First of these samples, s from the record's start.
    pub start_s: f64,
    /// End of the last of them, s from the record's start.
    pub end_s: f64,
    /// How many they are.
    pub samples: u64,
}

/// One channel's separation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Separation {
    /// Name of the capture.
    pub file: String,
    /// Name of the channel.
    pub channel: String,
    /// Unit of its values and of every amplitude here; `V` wherever the file's own is one of voltage.
    #[serde(default)]
    pub unit: String,
    /// Where the result was written; empty, for the caller to fill in.
    pub output: String,
    /// The method that was used.
    pub method: Method,
    /// What was taken out.
    pub removed: Removed,
    /// Mean fundamental, Hz, of this channel or of the reference; `None` where no mains series was found or looked for.
    pub mains_frequency_hz: Option<Estimate>,
    /// The channel's hum as it was: that of its measurement; `None` where no mains series was found, and with a reference
    /// or a second tip.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hum_rms: Option<Estimate>,
    /// RMS of the hum (of what is coherent, with a reference or a second tip) that is expected to be left in the cleaned
    /// capture, by the uncertainty of what was fitted.
    pub residual_hum_rms: Estimate,
    /// What limits the result.
    pub warnings: Vec<Warning>,
    /// What was done and why, in a sentence or two.
    pub note: String,
    /// Bands in which a wanted signal would have been harmed; of a long record, in the longest part that was worked at once.
    pub touched: Vec<TouchedBand>,
    /// Where samples stood at the limit of the range: no clean signal is known there. Empty where none did.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub clipped: Vec<ClippedStretch>,
    /// How the other waveform fitted; `None` where none was used or nothing in it fits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub matched: Option<Match>,
    /// How the hum ran, for plots; the command's lines of JSON leave it out.
    #[serde(default, skip_serializing_if = "HumTrack::is_empty")]
    pub track: HumTrack,
}

//! What a separation took out, and what it may have harmed.

use crate::Warning;
use crate::stats::Estimate;
use serde::Serialize;

/// The method that was used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
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

/// What was taken out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
#[non_exhaustive]
pub struct Removed {
    /// The offset that was taken out; 0 where it was left in.
    pub dc_offset: f64,
    /// RMS of the mains series, without the noise that the fit took along.
    pub mains_rms: f64,
    /// RMS of what was coherent with another channel.
    pub coherent_rms: f64,
}

/// A band in which a wanted signal would have been harmed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct TouchedBand {
    /// Lower edge, Hz; a steady wanted tone inside the band would be taken out with the hum.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// RMS that was taken out there.
    pub removed_rms: f64,
}

/// Frequency, amplitudes and phases against time.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct HumTrack {
    /// Times, s from the record's start.
    pub time_s: Vec<f64>,
    /// Fundamental frequency at these times, Hz.
    pub frequency_hz: Vec<f64>,
    /// The orders that were taken out.
    pub orders: Vec<usize>,
    /// RMS amplitude of each of `orders` at each time.
    pub rms: Vec<Vec<f64>>,
    /// Phase of each of `orders`, as a cosine's, less order times the fundamental's running phase, rad.
    pub phase_rad: Vec<Vec<f64>>,
}

/// How a template, a reference or a second tip fitted.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
#[non_exhaustive]
pub struct Match {
    /// Gain from the other waveform to the interference.
    pub gain: f64,
    /// Delay of the interference behind the other waveform, s.
    pub delay_s: f64,
    /// Share of the interference's power that the match explains, 0 to 1: a coherence.
    pub coherence: f64,
    /// Best reduction that the coherence allows, dB: 10 log₁₀(1/(1 - γ²)).
    pub bound_db: Option<f64>,
    /// Reduction of the interference that was reached, dB.
    pub reached_db: Option<f64>,
    /// Rejection against frequency, before and after matching (difference method).
    pub rejection: Vec<Rejection>,
    /// Factor by which independent noise of the two channels, and the converter's step, grew.
    pub noise_factor: f64,
}

/// Common-mode rejection at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Rejection {
    /// Centre of the band, Hz.
    pub frequency_hz: f64,
    /// Rejection of plain subtraction, dB.
    pub before_db: f64,
    /// Rejection after matching gain and delay, dB.
    pub after_db: f64,
}

/// A stretch in which samples stood at the limit of the range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ClippedStretch {
    /// First of these samples, s from the record's start.
    pub start_s: f64,
    /// End of the last of them.
    pub end_s: f64,
    /// How many they are.
    pub samples: u64,
}

/// One channel's separation.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Separation {
    /// File or name of the capture.
    pub file: String,
    /// The channel.
    pub channel: String,
    /// Unit of its values and of every amplitude here; `V` wherever the file's own is one of voltage.
    #[serde(skip)]
    pub unit: String,
    /// Where the result was written; for the caller to fill in.
    pub output: String,
    /// The method that was used.
    pub method: Method,
    /// What was taken out.
    pub removed: Removed,
    /// Mean fundamental; `None` where no mains series was found or looked for.
    pub mains_frequency_hz: Option<Estimate>,
    /// The channel's hum as it was: that of its measurement, where a mains series was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hum_rms: Option<Estimate>,
    /// Hum that is expected to be left in the cleaned capture.
    pub residual_hum_rms: Estimate,
    /// What limits the result.
    pub warnings: Vec<Warning>,
    /// What was done and why, in a sentence or two.
    pub note: String,
    /// Bands in which a wanted signal would have been harmed.
    pub touched: Vec<TouchedBand>,
    /// Where samples stood at the limit of the range: no clean signal is known there.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub clipped: Vec<ClippedStretch>,
    /// How the other waveform fitted, where one was used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub matched: Option<Match>,
    /// Tracks for plots.
    #[serde(skip)]
    pub track: HumTrack,
}

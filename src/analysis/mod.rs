//! Analysis: from a record to DC offset, mains content, in-band noise and their intervals.
//!
//! [`measure()`] reads a capture block by block, [`measure_samples`] a slice; each gives a [`Measurement`] of a channel.
//! [`Monitor`] takes blocks as they come. [`estimators`] tell one figure of it; sine fits ([`sine_fit_known`], [`sine_fit_free`]), [`harmonic_groups()`] and the
//! converter's step ([`infer_step`]) are found alone.

mod channel;
mod combination;
mod details;
pub mod estimators;
mod every;
mod figures;
mod harmonic_groups;
mod interval;
mod measure;
mod measurement;
mod monitor;
mod noise;
mod options;
mod record;
mod series;
mod stream;
mod stretches;
mod tones;
mod whole;

pub use crate::stats::LinePower;
pub use details::harmonic_groups;
pub use harmonic_groups::{HarmonicGroup, HarmonicGroups};
pub(crate) use measure::measure_channels;
pub use measure::{measure, measure_samples};
pub use measurement::{
    BandNoise, Evidence, EvidenceKind, Folded, Harmonic, Mains, Measurement, Noise, Quality,
    Spectrum, Tone, Track, TrackPoint, Waveform,
};
pub use monitor::Monitor;
pub use options::{Detail, MainsChoice, MeasureOptions};
pub(crate) use options::{HIGHEST_CONFIDENCE, MOST_HARMONICS, NOMINAL_HZ};
pub(crate) use record::Rails;
pub use record::infer_step;
pub use series::{SineFit, SineFitHarmonic, SineModel, sine_fit_free, sine_fit_known};

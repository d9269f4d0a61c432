//! Analysis: from a record to DC offset, mains content, in-band noise and their intervals.

mod measurement;
mod options;

pub use measurement::{
    BandNoise, Evidence, EvidenceKind, Folded, Harmonic, LinePower, Mains, Measurement, Noise,
    Quality, Spectrum, Tone, Track, TrackPoint, Waveform,
};
pub use options::{Detail, MainsChoice, MeasureOptions};

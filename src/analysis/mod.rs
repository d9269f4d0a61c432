//! Analysis: from a record to DC offset, mains content, in-band noise and their intervals.

mod cholesky;
mod measurement;
mod options;
mod series;

pub use measurement::{
    BandNoise, Evidence, EvidenceKind, Folded, Harmonic, LinePower, Mains, Measurement, Noise,
    Quality, Spectrum, Tone, Track, TrackPoint, Waveform,
};
pub use options::{Detail, MainsChoice, MeasureOptions};
pub use series::{CycleTable, SeriesFit};

//! Analysis: from a record to DC offset, mains content, in-band noise and their intervals.

mod acquisition;
mod aliased_mains;
mod assemble;
mod below_one_cycle;
mod cause;
mod channel;
mod cholesky;
mod combine;
mod common_phase;
mod constant;
mod folding;
mod follow;
mod gaps;
mod groups;
mod intake;
mod interval;
mod joined;
mod kept;
mod level;
mod measure;
mod measurement;
mod moving;
mod near_lines;
mod noise_floor;
mod options;
mod own_scale;
mod parabola;
mod quantisation;
mod rails;
mod remainder;
mod search;
mod segment;
mod series;
mod sine_fit;
mod slow_noise;
mod smoothing;
mod stream_noise;
mod stretches;
mod tone_fit;
mod tones;
mod track;
mod waveform;
mod weak_series;

pub(crate) use cholesky::Cholesky;
pub use groups::{HarmonicGroup, HarmonicGroups, harmonic_groups};
pub use measure::measure;
pub use measurement::{
    BandNoise, Evidence, EvidenceKind, Folded, Harmonic, LinePower, Mains, Measurement, Noise,
    Quality, Spectrum, Tone, Track, TrackPoint, Waveform,
};
pub use options::{
    Detail, HIGHEST_CONFIDENCE, MOST_HARMONICS, MainsChoice, MeasureOptions, NOMINAL_HZ,
};
pub use quantisation::{infer_step, rounding_bias, rounding_line};
pub(crate) use rails::Rails;
pub use series::SeriesFit;
pub use sine_fit::{SineFit, SineFitHarmonic, SineModel, sine_fit_free, sine_fit_known};

//! A harmonic series in one segment: search, joint fit, refinement of its fundamental.

mod design;
mod remainder;
mod search;
mod segment;
mod sine_fit;
mod smoothing;
mod track;

pub use design::SeriesFit;
pub(crate) use design::{FrequencyStep, cycle};
pub(crate) use remainder::{Lines, Remainder, Transform};
pub(crate) use search::{SearchInput, Searched};
pub(crate) use segment::{FitSettings, SegmentFit, mean_fundamental};
pub use sine_fit::{SineFit, SineFitHarmonic, SineModel, sine_fit_free, sine_fit_known};
pub(crate) use smoothing::fit_smoothed;
pub(crate) use track::{Observation, SmoothTrack, join_runs};

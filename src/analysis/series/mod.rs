//! A harmonic series in one segment: search, joint fit, refinement of its fundamental.

mod design;
mod fit;
mod remainder;
mod search;
mod segment;
mod sine_fit;
mod smoothing;
mod track;

pub(crate) use design::FrequencyStep;
pub use fit::SeriesFit;
pub(crate) use remainder::{Lines, Remainder, Transform};
pub(crate) use search::{SearchInput, Searched};
pub(crate) use segment::{FitSettings, SegmentFit, mean_fundamental, spread};
pub use sine_fit::{SineFit, SineFitHarmonic, SineModel, sine_fit_free, sine_fit_known};
pub(crate) use smoothing::fit_smoothed;
pub(crate) use track::{LIVELY_WALK, Observation, SmoothTrack, State, join_runs};

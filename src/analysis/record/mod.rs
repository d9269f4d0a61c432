//! What comes before any fit: samples taken in, rails, gaps, scale and steps of the converter.

mod gaps;
mod intake;
mod own_scale;
mod quantisation;
mod rails;
mod waveform;

pub(crate) use gaps::{Gap, GapKind, bridge, fill, fill_beyond};
pub(crate) use intake::{High, Intake};
pub(crate) use own_scale::OwnScale;
pub use quantisation::{infer_step, rounding_bias, rounding_line};
pub(crate) use rails::Rails;
pub(crate) use waveform::WaveformSums;

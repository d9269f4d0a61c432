//! What comes before any fit: samples taken in, rails, gaps, scale and steps of the converter.

mod aliased_mains;
mod gaps;
mod held;
mod intake;
mod lone;
mod own_scale;
mod quantisation;
mod rails;
mod stream;
mod waveform;

pub(crate) use aliased_mains::AliasedMains;
pub(crate) use gaps::{GapKind, fill, fill_beyond};
pub(crate) use held::Held;
pub(crate) use intake::{High, Intake};
pub(crate) use lone::{Lone, leave_out_lone};
pub(crate) use own_scale::OwnScale;
pub use quantisation::{infer_step, rounding_bias, rounding_line};
pub(crate) use rails::Rails;
pub(crate) use stream::{Limits, Stream};
pub(crate) use waveform::WaveformSums;

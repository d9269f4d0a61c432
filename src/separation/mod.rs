//! Separation: a capture without its interference, and what was taken out.
//!
//! | method | when |
//! | --- | --- |
//! | [`harmonic()`] | one channel: a series of one tracked fundamental |
//! | [`template()`] | an interference-only capture of the set-up exists; a signal on a harmonic survives |
//! | [`reference()`] | a channel senses the ground noise alone |
//! | [`difference()`] | two tips, the second to be subtracted |
//!
//! [`separate()`] works a record of any length from a source to a sink; the four functions work on plain
//! samples. Offset, interference and cleaned samples add up to the input.

mod account;
mod alignment;
mod amplitudes;
mod breaks;
mod broadband;
mod chapters;
mod clipping;
mod continuation;
mod conveyor;
mod coupled;
mod delay;
mod detection;
mod difference;
mod fit;
mod fold;
mod harmonic;
mod input;
mod joint;
mod lines;
mod low_rate;
mod matching;
mod model;
mod options;
mod oscillators;
mod outliers;
mod phase;
mod playback;
mod prospect;
mod reduced;
mod reference;
mod result;
mod search;
mod separate;
mod short;
mod smoother;
mod sums;
mod survey;
mod template;
mod transfer;
mod watch;

pub use crate::capture::{FrameSink, MemorySink};
pub use crate::save::FileSink;
pub use difference::difference;
pub use harmonic::{HarmonicOptions, Parts, harmonic};
pub use options::{Keep, MethodChoice, Offset, SeparateOptions};
pub use reference::reference;
pub use result::{
    ClippedStretch, HumTrack, Match, Method, Rejection, Removed, Separation, TouchedBand,
};
pub use separate::separate;
pub use template::{Template, template};

//! Separation: a capture without its interference, and what was taken out.
//!
//! | method | when |
//! | --- | --- |
//! | [`harmonic()`] | one channel: a series of one tracked fundamental |
//! | [`template()`] | an interference-only capture of the set-up exists; a signal on a harmonic survives |
//! | [`reference()`], [`references()`] | one channel, or several, sense the ground noise alone |
//! | [`difference()`] | two tips, the second to be subtracted |
//!
//! [`separate()`] works a record of any length from a source to a sink; the other functions work on plain
//! samples; [`Online`] takes blocks as they come and gives them back a set time later. Offset, interference and cleaned samples add up to the input.

mod chapters;
mod coupled;
mod findings;
mod fit;
mod left_power;
mod methods;
mod online;
mod options;
mod result;
mod samples;
mod separate;

#[cfg(feature = "files")]
pub use crate::save::FileSink;
pub use methods::{Parts, Template, difference, harmonic, reference, references, template};
pub use online::{Online, OnlineOptions};
pub use options::{HarmonicOptions, Keep, MethodChoice, Offset, SeparateOptions};
pub use result::{
    ClippedStretch, Coherence, HumTrack, Match, Method, ReferenceMatch, Rejection, Removed,
    Separation, TouchedBand,
};
pub use separate::separate;

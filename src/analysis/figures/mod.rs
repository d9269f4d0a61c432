//! From the fits to the reported figures.

mod assemble;
mod below_one_cycle;
mod cause;
mod constant;
mod folding;
mod groups;

pub(crate) use assemble::{ChannelFacts, assemble, series_detected};
pub(crate) use constant::constant;
pub(crate) use folding::Folding;
pub use groups::{HarmonicGroup, HarmonicGroups, harmonic_groups};

//! Separation: a capture without its interference, and what was taken out.

mod banded;
mod fit;
mod fold;
mod harmonic;
mod model;
mod search;
mod short;
mod smoother;

pub use harmonic::{HarmonicOptions, HarmonicParts, harmonic};

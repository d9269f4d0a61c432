//! Separation: a capture without its interference, and what was taken out.

mod banded;
mod fit;
mod fold;
mod model;
mod search;
mod smoother;
mod harmonic;

pub use harmonic::{HarmonicOptions, HarmonicParts, harmonic};

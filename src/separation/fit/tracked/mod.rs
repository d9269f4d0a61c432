//! The fit that follows phase and amplitudes on a mesh of mains cycles.

mod alignment;
mod amplitudes;
mod breaks;
mod detection;
mod fit;
mod fitter;
mod mesh;
mod outliers;
mod phase;
mod smoother;
mod steady;

pub(crate) use amplitudes::{best_of_both, update_amplitudes};
pub(crate) use breaks::{find_break, place_breaks};
pub(crate) use detection::detect;
pub(crate) use fit::fit;
pub(crate) use fitter::{Fitter, Manner};
pub(crate) use mesh::mesh;
pub(crate) use outliers::far_samples;
pub(crate) use phase::update_phase;
pub(crate) use smoother::Smoothing;

//! Steps of the penalised fit, and the evidence for how loose its tracks are.

mod bordered;
mod looseness;
mod normal;
mod step;

pub(super) use looseness::{
    Looseness, gain_ladder, gain_looseness, phase_ladder, phase_looseness, slow_ladder,
};
pub(super) use normal::{Levels, Normal};
pub(super) use step::{Weighed, converge, freedom, moved, solve, weigh};

//! Planning: record length, rate and range that a wanted resolution needs, from the bounds.

mod bounds;
mod options;
mod planner;
mod text;

pub use bounds::{detectable_ratio, quantisation_density, quantised_mean_bias};
pub use options::PlanOptions;
pub use planner::{Plan, PlanStep, RangeAdvice, plan};

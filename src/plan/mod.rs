//! Planning: record length, rate and range that a wanted resolution needs, from the bounds.

mod bounds;
mod options;
mod planner;
mod range;
mod result;
mod text;

pub use options::PlanOptions;
pub use planner::plan;
pub use result::{Plan, RangeAdvice};

//! Planning: record length, rate and range that a wanted resolution needs, from the bounds that noise and the converter's
//! steps set. [`plan()`] makes a [`Plan`] of [`PlanOptions`].

mod bounds;
mod options;
mod planner;
mod range;
mod result;
mod text;

pub use options::PlanOptions;
pub use planner::plan;
pub use result::{Plan, RangeAdvice};

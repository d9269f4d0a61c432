//! Fit of a record whose samples only bound the input: rounded to coarse steps, or beyond a rail.

mod alike;
mod figures;
mod fit;
mod maximum;
mod model;
mod observation;

pub(crate) use alike::{Alike, Rounded};
pub(crate) use fit::{IntervalFit, IntervalTask, fit};
pub(crate) use observation::Said;

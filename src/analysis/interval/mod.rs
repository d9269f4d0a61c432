//! Fit of a record whose samples only bound the input: rounded to coarse steps, or beyond a rail.

mod fit;
mod maximum;
mod model;
mod observation;
mod reading;

pub(crate) use fit::IntervalFit;
pub(crate) use reading::{fits_clipped, is_coarse, read};

//! One quantity under one condition, and two conditions held against each other.

mod observation;
mod ratio;
mod reading;
pub(super) mod repeats;

pub(super) use observation::Observation;
pub(super) use ratio::Ratio;
pub(super) use reading::{Reading, pooled_spread};

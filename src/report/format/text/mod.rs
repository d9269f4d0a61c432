//! Tables and sentences for a terminal; nothing depends on colour.

mod compared;
mod log;
mod measured;
mod remarks;

pub(super) use compared::comparison;
pub(super) use measured::measured_capture;
pub(super) use remarks::{cautions, legend};

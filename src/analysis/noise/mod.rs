//! The noise floor of a record, and its noise near 0 Hz.

mod level;
mod noise_floor;
mod slow_noise;

pub(crate) use level::robust_level;
pub(crate) use noise_floor::{NoiseFloor, RemovedLine};
pub(crate) use slow_noise::{MeanWindow, SlowNoise};

//! The noise floor of a record, and its noise near 0 Hz.

mod bulk;
mod disturbance;
mod level;
mod noise_floor;
mod running_sums;
mod skirts;
mod slow_noise;
mod uneven;

pub(crate) use bulk::{below_level, in_frequency as bulk_in_frequency};
pub(crate) use disturbance::Powers;
pub(crate) use level::robust_level;
pub(crate) use noise_floor::{NoiseFloor, RemovedLine};
pub(crate) use slow_noise::{MeanWindow, SlowNoise};
pub(crate) use uneven::{loudness, note_uneven_noise};

//! The hum as a model: its synthesis and its phasor sums.

mod fold;
mod hum_model;
mod noise;
mod oscillators;
mod sums;
mod synthesis;

pub(crate) use fold::{fold, remove_running_mean};
pub(crate) use hum_model::HumModel;
pub(crate) use noise::{chance, differences, group_bounds, mean_power, pairs, pool, total};
pub(crate) use oscillators::{add_sums, subtract, suits};
pub(crate) use sums::{Sums, gram_of, noise, whole_sums};
pub(crate) use synthesis::play;

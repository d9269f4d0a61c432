//! The hum as a model: its synthesis and its phasor sums.

mod fold;
mod hum_model;
mod moments;
mod noise;
mod oscillators;
mod running_mean;
mod sums;
mod synthesis;

pub(crate) use fold::fold;
pub(crate) use hum_model::HumModel;
pub(crate) use moments::add_moments;
pub(crate) use noise::{chance, differences, group_bounds, mean_power, pairs, pool, total};
pub(crate) use oscillators::{add_sums, subtract, suits};
pub(crate) use running_mean::remove_running_mean;
pub(crate) use sums::{Sums, gram_of, noise, whole_sums};
pub(crate) use synthesis::play;

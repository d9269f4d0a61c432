//! From one channel to another: gain and delay, a short filter, what they have in common.

mod broadband;
mod comparison;
mod cross_spectra;
mod delay;
mod delayed;
mod short_filter;

pub(super) use broadband::{Broadband, broadband};
pub(super) use comparison::{is_nearer, less, possible, power};
pub(super) use cross_spectra::CrossSpectra;
pub(super) use delay::{GainDelay, floor, gain_and_delay};

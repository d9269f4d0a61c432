//! From other channels to a target: gains and delays, short filters, what they have in common.

mod broadband;
mod comparison;
mod cross_spectra;
mod delay;
mod delayed;
mod ends;
mod joint;
mod pair;
mod pair_search;
mod parts;
mod selection;
mod short_filter;
#[cfg(test)]
mod trials;

pub(super) use broadband::broadband;
pub(super) use comparison::{is_nearer, less, possible, power};
pub(super) use cross_spectra::CrossSpectra;
pub(super) use delay::{GainDelay, beyond_ends, floor, slope_power};
pub(super) use delayed::warped;
pub(super) use joint::{Joint, Record, fit};
pub(super) use parts::Part;
pub(super) use selection::{Matched, matched, matched_about};

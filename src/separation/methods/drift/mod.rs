//! Gain and delay between two channels that change slowly: clocks and amplifiers that drift.

mod blocks;
mod following;
mod track;

pub(super) use following::follow;

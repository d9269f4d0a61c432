//! The segments' fits combined to the figures of the record.

mod combine;
mod common_phase;
mod weak_series;

pub(crate) use combine::{Combined, CombinedHarmonic, GRID_WALK, OrderNoise, combine, line_power};

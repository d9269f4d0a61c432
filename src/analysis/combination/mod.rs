//! The segments' fits combined to the figures of the record.

mod combine;
mod common_phase;
mod detection;
mod guides;
mod harmonic;
mod order_agreement;
mod order_rotation;
mod walk_allowance;
mod weak_series;

pub(crate) use combine::{GRID_WALK, combine};
pub(crate) use detection::series_detected;
pub(crate) use harmonic::{Combined, CombinedHarmonic, OrderNoise};
pub(crate) use order_agreement::{
    Agreement, Stray, agreement, hangs_on_one, parted, stranger, strays,
};
pub(crate) use walk_allowance::{BlockPhases, WalkAllowance};

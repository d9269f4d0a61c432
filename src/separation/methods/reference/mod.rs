//! The reference method: what is coherent with channels that sense the ground noise alone.

mod passing;
mod separation;
mod series;
mod transfer;

pub(crate) use separation::separate_reference;
pub use separation::{reference, references};
pub(crate) use series::Sensed;

//! The reference method: what is coherent with a channel that senses the ground noise alone.

mod separation;
mod transfer;

pub use separation::reference;
pub(crate) use separation::separate_reference;

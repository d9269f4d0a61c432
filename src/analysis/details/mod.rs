//! What is computed of a stream only where asked for.

mod folding;
mod groups;
mod wanted;

pub use groups::harmonic_groups;
pub(crate) use wanted::Details;

//! The two streams that the command writes to, and the terminals that they may be.

mod progress;
mod streams;

pub use streams::{Console, columns, is_coloured, results, say};

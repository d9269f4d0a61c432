//! Comparison: what the loop adds to the floor and what the remedy takes away.

mod result;

pub use result::{CaptureCounts, ComparedQuantity, Comparison, DecibelRatio, Verdict};

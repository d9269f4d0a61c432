#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod analysis;
pub mod capture;
pub mod comparison;
mod error;
pub mod fault;
mod hum;
pub mod limit;
pub mod load;
mod numeric;
pub mod plan;
pub mod printable;
pub mod quantity;
pub mod report;
pub mod results;
#[cfg(test)]
mod sample;
mod save;
pub mod separation;
pub mod session;
mod setting;
pub mod si;
pub mod spectrum;
pub mod stats;
mod warning;
mod wrap;

pub use analysis::{MeasureOptions, Measurement, measure};
pub use capture::{Capture, Condition, FrameSource, MemorySource};
pub use comparison::{Comparison, Verdict, compare};
pub use error::{Error, ErrorKind};
pub use stats::Estimate;
pub use warning::{Warning, WarningCode};

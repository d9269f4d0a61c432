#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod analysis;
pub mod capture;
#[cfg(feature = "cli")]
mod cli;
pub mod comparison;
mod error;
mod fault;
mod hum;
mod limit;
pub mod load;
mod numeric;
pub mod plan;
mod printable;
mod quantity;
pub mod report;
pub mod results;
#[cfg(test)]
mod sample;
mod save;
pub mod separation;
pub mod session;
mod setting;
mod si;
mod spectrum;
pub mod stats;
mod warning;
mod wrap;

pub use analysis::{MeasureOptions, Measurement, measure};
pub use capture::{Capture, Condition, FrameSource, MemorySource};
#[cfg(feature = "cli")]
pub use cli::command;
pub use comparison::{Comparison, Verdict, compare};
pub use error::{Error, ErrorKind};
pub use quantity::Quantity;
pub use stats::Estimate;
pub use warning::{Warning, WarningCode};

#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]
#![deny(missing_docs)]
// What only the command uses is not missed where the command is left out.
#![cfg_attr(not(feature = "cli"), allow(dead_code, unused_imports))]

pub mod analysis;
pub mod capture;
#[cfg(feature = "cli")]
mod cli;
pub mod comparison;
mod error;
mod fault;
mod hum;
mod limit;
#[cfg(any(feature = "text", feature = "wav"))]
pub mod load;
mod numeric;
mod parallel;
pub mod plan;
mod printable;
mod quantity;
#[cfg(feature = "report")]
pub mod report;
#[cfg(feature = "report")]
pub mod results;
#[cfg(test)]
mod sample;
#[cfg(feature = "files")]
mod save;
pub mod separation;
#[cfg(feature = "session")]
pub mod session;
mod setter;
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

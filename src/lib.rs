//! Measures, compares and separates the interference that a ground loop puts on a capture: offset, mains hum and its
//! harmonics, noise and lines that are no harmonic.
//!
//! A capture is channels of evenly spaced samples: in memory, from an iterator, or read block by block from a text table
//! or a WAV recording, however long. Each figure that noise makes uncertain is an [`Estimate`] with an interval at a stated
//! confidence; plain figures of the samples and the distortion have none. What cannot be told of a record is absent or
//! named by a [`Warning`], never guessed. But for the command nothing here writes to the terminal, and nothing ends the
//! program: whatever cannot be worked with is an [`Error`] with its kind, its place and what to do.
//!
//! # From samples to a clean capture
//!
//! ```
//! use humsieve::capture::MemorySink;
//! use humsieve::separation::{SeparateOptions, separate};
//! use humsieve::{Capture, Condition, MeasureOptions, MemorySource, compare, load, measure};
//! use std::collections::BTreeMap;
//!
//! // A second of hum in a little noise, as an instrument would save it.
//! let table = |hum: f64| -> String {
//!     let row = |n: i32| {
//!         let t = f64::from(n) / 2000.0;
//!         let noise = f64::from((n * 7919) % 1009) / 1009.0 - 0.5;
//!         let volts = hum * (std::f64::consts::TAU * 50.02 * t).cos() + 1e-5 * noise;
//!         format!("{t:.4},{volts:e}\n")
//!     };
//!     std::iter::once("time (s),probe (V)\n".to_owned()).chain((0..2000).map(row)).collect()
//! };
//!
//! // Open: `load::open` takes a path, `load::read` a stream, `load::bytes` bytes.
//! let options = load::LoadOptions::default();
//! let mut looped = load::bytes("looped", table(2e-3).as_bytes(), &options)?.remove(0);
//! let mut isolated = load::bytes("isolated", table(2e-5).as_bytes(), &options)?.remove(0);
//!
//! // Measure: one `Measurement` for each channel.
//! let settings = MeasureOptions::default();
//! let captures = BTreeMap::from([
//!     (Condition::Looped, measure(&mut looped, &settings)?),
//!     (Condition::Isolated, measure(&mut isolated, &settings)?),
//! ]);
//! let hum = captures[&Condition::Looped][0].mains.hum_rms.expect("fifty cycles");
//! assert!((hum.value - 2e-3 / 2f64.sqrt()).abs() < 1e-6);
//!
//! // Compare: what the remedy took away, with what can be claimed of it.
//! let comparison = compare(&captures, &Default::default())?;
//! let gain = comparison.quantity("hum_rms").and_then(|q| q.improvement_db).expect("both read");
//! assert!(gain.low > 39.0 && gain.high.is_some_and(|high| high < 41.0));
//!
//! // Separate: the capture without its hum.
//! let mut clean = MemorySink::new();
//! let told = separate(&mut looped, None, &SeparateOptions::default(), &mut clean)?;
//! assert!(told[0].residual_hum_rms.high < 1e-5);
//! let clean: Capture = clean.into_capture()?;
//! let left = measure(&mut MemorySource::new(&clean), &settings)?;
//! assert!(!left[0].mains.detected);
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! # Where things are
//!
//! | module | what it does |
//! | --- | --- |
//! | [`capture`] | what goes in: captures in memory, [`FrameSource`] and [`FrameSink`](capture::FrameSink), how a capture was taken |
//! | [`load`] | text tables and WAV recordings, from files, streams or bytes |
//! | [`analysis`] | [`measure`], [`measure_samples`], their options and result; single estimators on a slice |
//! | [`comparison`] | [`compare`]: the conditions of a bench held against each other, verdicts, limits |
//! | [`separation`] | a capture without its interference, by one channel, a template, a reference or a second tip |
//! | [`session`] | a whole bench session from a TOML file: wiring, remedies, captures |
//! | [`plan`] | record length, rate and range that a wanted resolution needs |
//! | [`report`] | text, CSV, JSON, Markdown and pages, made of results in memory |
//! | [`results`] | any result as a line of JSON, read back to the bit |
//! | [`stats`] | what an estimate is, and amplitudes near the floor |
//!
//! [`cookbook`] holds a recipe for each common job. The command `humsieve` is another way to all of it; the README is
//! its page. [`Quantity`] names all that is measured.
//!
//! # Features
//!
//! The core works on captures in memory. `text` and `wav` bring [`load`], `files` brings [`separation::FileSink`] and,
//! where there is `load`, [`load::find_captures`], `report` brings [`report`] and [`results`], `parallel` all cores;
//! `session` brings [`session`], the cookbook and all of these, `cli` (the default) the command with all.
//!
//! # Versions
//!
//! Names of fields in JSON, of warnings and of error kinds stay; later versions add to them. Types that may grow are
//! `#[non_exhaustive]`.
#![forbid(unsafe_code)]
#![deny(missing_docs)]
// What only the command uses is not missed where the command is left out.
#![cfg_attr(not(feature = "cli"), allow(dead_code, unused_imports))]

pub mod analysis;
pub mod capture;
#[cfg(feature = "cli")]
mod cli;
pub mod comparison;
#[cfg(feature = "session")]
pub mod cookbook;
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
mod setting;
mod si;
mod spectrum;
pub mod stats;
mod warning;
mod wrap;

pub use analysis::{MeasureOptions, Measurement, measure, measure_samples};
pub use capture::{Capture, Condition, FrameSource, MemorySource};
#[cfg(feature = "cli")]
pub use cli::command;
pub use comparison::{Comparison, Verdict, compare};
pub use error::{Error, ErrorKind};
pub use ndarray;
pub use quantity::{Figure, Quantity};
pub use stats::Estimate;
pub use warning::{Warning, WarningCode};

/// The README's own code, run with the other examples.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;

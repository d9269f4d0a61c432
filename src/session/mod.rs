//! A bench session: how the bench was wired, which capture is which, and what may be claimed.
//!
//! A session file is TOML. [`Session::parse`] reads it and names every mistake with its line and
//! the keys that would be understood; [`draft`] writes a first one from the captures found;
//! [`loop_verdict`] reasons from the wiring; [`run`] measures and compares everything.

mod draft;
mod file;
mod observed;
mod parse;
mod reader;
mod result;
mod run;
#[cfg(test)]
#[allow(clippy::panic)]
pub(crate) mod sample;
mod setup;
mod test_rows;
mod wiring;

pub use draft::{DraftCapture, draft};
pub use file::{CaptureEntry, Instrument, Session, WantedSignal};
pub use result::{CaptureOutcome, RemedyResult, SessionResult, TestRow, Trouble};
pub use run::{RunOptions, run};
pub use setup::{Breaks, Earth, EarthingSide, Remedy, Setup};
pub use wiring::{LoopState, LoopVerdict, RemedyEffect, loop_verdict};

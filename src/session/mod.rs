//! A bench session: how the bench was wired, which capture is which, and what may be claimed.
//!
//! A session file is TOML. [`Session::parse`] reads it and names every mistake with its line and
//! the keys that would be understood; [`run()`] reasons from the wiring, measures and compares everything, [`run_by`] does
//! so with captures that are no files. A [`SessionResult`] is read through its methods and the [reports](crate::report).

mod draft;
mod file;
#[cfg(test)]
mod file_mistakes;
mod hazard;
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

pub(crate) use draft::{DraftCapture, draft};
pub(crate) use file::CaptureEntry;
pub use file::Session;
pub use result::SessionResult;
pub(crate) use result::{CaptureOutcome, RemedyResult, TestRow, Trouble};
pub use run::{RunOptions, run, run_by};
pub(crate) use wiring::{LoopState, LoopVerdict, loop_verdict};

//! Comparisons: verdicts, the table beside them, whole captures, results read back.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod captures;
mod cause;
#[path = "../support/draws.rs"]
mod draws;
mod physical;
mod results;
#[path = "../support/synthesis/mod.rs"]
mod synthesis;
mod table;
mod verdicts;

//! Captures that are read, read in any dialect, read in pieces, or refused with the place of the fault.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod captures;
mod dialects;
mod hostile;
mod malformed;
mod pieces;

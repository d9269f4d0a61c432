//! The program as a whole: its options, outputs, statuses, and what the documents show of it.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod against;
mod arguments;
mod browser;
mod compare;
mod demo_generator;
#[cfg(unix)]
mod follow;
mod json;
mod measure;
mod picture;
#[path = "../support/program.rs"]
mod program;
mod readme;
mod separate;
mod session;
#[cfg(unix)]
mod terminal;
#[cfg(unix)]
mod world;

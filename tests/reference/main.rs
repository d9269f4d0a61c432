//! Numbers that others published or computed, and real recordings.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod bounds;
mod coupling;
#[path = "../support/draws.rs"]
mod draws;
mod fourier;
mod harmonic_groups;
mod near_floor;
mod open_recordings;
mod rounding;
mod sine_fit;
#[path = "../support/synthesis/mod.rs"]
mod synthesis;

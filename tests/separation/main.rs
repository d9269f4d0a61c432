//! Separation on records of which everything is known.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

#[path = "../support/separation/cases.rs"]
mod cases;
mod chapters;
#[path = "../support/separation/left.rs"]
mod left;
mod limits;
mod methods;
mod references;
mod residual;
mod scoreboard;
#[path = "../support/separation/several_references.rs"]
mod several_references;
#[path = "../support/separation/templates.rs"]
mod templates;
#[path = "../support/separation/two_channels.rs"]
mod two_channels;
#[path = "../support/separation/while_captured.rs"]
mod while_captured;
#[path = "../support/separation/yardsticks.rs"]
mod yardsticks;

//! Separation on records of which everything is known.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod chapters;
mod limits;
mod methods;
mod scoreboard;
mod two_channels;
mod yardsticks;

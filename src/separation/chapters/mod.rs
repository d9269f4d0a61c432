//! The way through a long record: offsets first, then chapter by chapter.

mod channel_findings;
mod clipping;
mod cutting;
mod interference;
mod measured;
mod offsets;
mod overheard;
mod pipeline;
mod plan;
mod untouched;
mod worked;
mod writer;

pub(super) use channel_findings::Place;
pub(super) use measured::{Prepared, prepared};
pub(super) use pipeline::run;

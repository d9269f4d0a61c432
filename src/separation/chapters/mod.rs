//! The way through a long record: offsets first, then chapter by chapter.

mod channel_findings;
mod clipping;
mod cutting;
mod interference;
mod measured;
mod offsets;
mod pipeline;
mod plan;
mod untouched;
mod worked;
mod writer;

pub(super) use channel_findings::Place;
pub(super) use measured::measured;
pub(super) use offsets::find_offsets;
pub(super) use pipeline::run;
pub(super) use plan::Plan;

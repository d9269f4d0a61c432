//! Hum that changes at once: begins, ends, or steps from one level to another.

mod edge;
mod levels;
mod span;
mod step;

pub(crate) use span::{Span, part_with_hum};
pub(crate) use step::level_step;

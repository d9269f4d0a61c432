//! Hum that changes at once: begins, ends, or steps from one level to another.

mod edge;
mod levels;
mod partition;
mod sections;
mod span;

pub(crate) use sections::{Section, sections, sections_of_series};
pub(crate) use span::part_with_hum;

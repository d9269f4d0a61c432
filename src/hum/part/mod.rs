//! Hum that changes at once: begins, ends, or steps from one level to another.

mod edge;
mod levels;
mod order_phase;
mod partition;
mod phase;
mod sections;
mod span;

pub(crate) use phase::sections_of_phase;
pub(crate) use sections::{Section, is_looked_through, sections, sections_of_series};
pub(crate) use span::part_with_hum;

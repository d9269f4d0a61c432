//! The template method: the series of an interference-only capture, aligned to the record at hand.

mod alignment;
mod direct;
mod separation;
mod series;

pub(crate) use separation::separate_template;
pub use separation::template;
pub use series::Template;

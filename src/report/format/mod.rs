//! The formats: each dresses the same rows.

mod brief;
mod csv;
mod jsonl;
mod markdown;
mod separated;
mod text;
mod writer;

pub use jsonl::json_failure;
pub(super) use jsonl::json_page;
pub use separated::write_separation;
pub use writer::{Format, MeasurementWriter, write_comparison};

//! Reports: rows are built once from the results, the formats dress them.
//!
//! All writers are pure: they write into whatever bears [`std::io::Write`].

mod acceptance;
mod caution;
mod csv;
mod figure;
mod format;
mod jsonl;
mod legend;
mod markdown;
pub mod page;
pub mod plot;
mod reading;
mod rows;
#[cfg(test)]
mod sample;
#[cfg(test)]
pub(crate) use sample::measurement as sample_measurement;
mod text;

pub use acceptance::{Acceptance, Judgement, Limit};
pub use caution::CAUTIONS;
pub(crate) use figure::common_prefix;
pub use figure::{PrintedEstimate, si, si_short};
pub use format::{ComparisonReport, Format, MeasuredCapture, MeasurementWriter, write_comparison};
pub use jsonl::json_line;
pub use legend::{FLOOR_LEGEND, interval_legend, percent};
pub use reading::{Figure, Reading};
pub use rows::{ComparedRow, Row, comparison_rows, measurement_rows, quantity_label};

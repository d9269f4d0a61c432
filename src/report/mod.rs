//! Reports: rows are built once from the results, the formats dress them.
//!
//! All writers are pure: they write into whatever bears [`std::io::Write`].

mod brief;
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
mod separated;
mod short_list;
mod stamp;
mod text;

pub use caution::CAUTIONS;
pub(crate) use figure::common_prefix;
pub use figure::{PrintedEstimate, si, si_short};
pub use format::{Format, MeasuredCapture, MeasurementWriter, write_comparison};
pub use jsonl::{json_failure, json_line};
pub use legend::{FLOOR_LEGEND, interval_legend, percent};
pub use reading::{Figure, Reading};
pub use rows::{
    ComparedRow, Row, comparison_remarks, comparison_rows, judge, limit_remark, line_rows,
    measurement_rows, quantity_label,
};
pub use separated::write_separation;
pub use short_list::SHOWN;
pub use stamp::{SourceStamp, options_digest};

//! Reports: rows are built once from the results, the formats dress them.
//!
//! All writers are pure: they write into whatever bears [`std::io::Write`].

mod caution;
mod format;
mod legend;
mod measured;
mod page;
mod picture;
pub(crate) mod plot;
mod rows;
mod stamp;

pub use format::{Format, MeasurementWriter, write_comparison, write_separation};
pub(crate) use format::{json_failure, json_line};
pub use measured::{MeasuredCapture, MeasuredChannel};
pub use page::{Page, write_json};
pub(crate) use picture::{
    MOST_PANELS, Pictured, SeparatedPanel, compared_picture, measured_picture, separated_picture,
};
pub(crate) use rows::{ComparedRow, SHOWN, comparison_rows, limit_remark, line_rows};
pub(crate) use stamp::{SourceStamp, options_digest};

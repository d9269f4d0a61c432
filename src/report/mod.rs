//! Reports: rows are built once from the results, the formats dress them.
//!
//! All writers are pure: they write into whatever bears [`std::io::Write`].

mod caution;
mod format;
mod legend;
mod measured;
pub mod page;
mod picture;
pub mod plot;
mod rows;
mod stamp;

pub use crate::quantity::Figure;
pub use caution::CAUTIONS;
pub use format::{
    Format, MeasurementWriter, json_failure, json_line, write_comparison, write_separation,
};
pub use legend::{FLOOR_LEGEND, interval_legend};
pub use measured::{MeasuredCapture, MeasuredChannel};
pub use picture::{
    MOST_PANELS, Pictured, SeparatedPanel, compared_picture, measured_picture, separated_picture,
};
pub use rows::{
    ComparedRow, Reading, Row, SHOWN, comparison_remarks, comparison_rows, limit_remark, line_rows,
    measurement_rows,
};
pub use stamp::{SourceStamp, options_digest};

//! Reports: rows are built once from the results, the formats dress them.
//!
//! All writers are pure: they write into whatever bears [`std::io::Write`]. Measurements go through a [`MeasurementWriter`],
//! comparisons through [`write_comparison`], separations through [`write_separation`]; a [`TextLayout`] says how much text shows, and
//! within which columns.

mod caution;
mod format;
mod layout;
mod legend;
mod measured;
#[cfg(feature = "session")]
mod page;
#[cfg(feature = "session")]
mod picture;
#[cfg(feature = "session")]
pub(crate) mod plot;
mod rows;
mod stamp;

pub(crate) use format::json_failure;
pub use format::{Format, MeasurementWriter, write_comparison, write_separation};
pub use layout::TextLayout;
pub use measured::{MeasuredCapture, MeasuredChannel};
#[cfg(feature = "session")]
pub use page::{Page, write_json};
#[cfg(feature = "session")]
pub(crate) use picture::{
    MOST_PANELS, Pictured, SeparatedPanel, compared_picture, measured_picture, separated_picture,
};
#[cfg(feature = "session")]
pub use plot::Plot;
pub(crate) use rows::{ComparedRow, SHOWN, comparison_rows, limit_remark, line_rows};
pub(crate) use stamp::{SourceStamp, options_digest};

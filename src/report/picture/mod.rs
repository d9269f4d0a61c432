//! Pictures of one measurement, comparison or separation: the report's plots on a sheet, with what the
//! intervals mean.

mod compared;
mod lines;
mod measured;
mod separated;

pub use compared::compared_picture;
pub(super) use lines::{BY_CONDITION, lines_hz, readings, resolved_only};
pub use measured::{MOST_PANELS, Pictured, measured_picture};
pub use separated::{SeparatedPanel, separated_picture};

//! Lines that are no order of the mains.

mod near_lines;
mod peaks;

pub(crate) use near_lines::{NearLines, near_lines};
pub(crate) use peaks::{PeakBin, find_peaks};

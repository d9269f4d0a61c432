//! Rows: what every format shows of a measurement or a comparison.

mod change;
mod compared;
mod measured;
mod reading;
mod remarks;
mod short_list;

pub(super) use change::{change_remark, short_interval};
pub use compared::{ComparedRow, comparison_rows, line_rows};
pub(super) use compared::{comparison_warnings, told};
pub use reading::Reading;
pub(super) use remarks::evidence_remark;
pub use remarks::{comparison_remarks, limit_remark};
pub use short_list::SHOWN;
pub(super) use short_list::ShortList;

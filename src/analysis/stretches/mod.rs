//! Long records: fitted stretch by stretch and joined.

mod fitted;
mod follow;
mod joined;
mod kept;
mod long_record;
mod stretch_fit;

pub(crate) use fitted::FittedRecord;
pub(crate) use long_record::Stretches;

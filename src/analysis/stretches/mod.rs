//! Long records: fitted stretch by stretch and joined.

mod joined;
mod kept;
mod long_record;

pub(crate) use long_record::{Finished, Stretches};

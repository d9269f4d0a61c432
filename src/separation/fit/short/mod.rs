//! Records of a few cycles, fitted as a whole.

mod joint;
mod record;

pub(super) use record::fit_short;

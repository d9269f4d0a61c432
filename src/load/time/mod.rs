//! Sample rate and evenness, from stamps and statements.

pub(crate) mod cells;
pub(crate) mod grid;
pub(crate) mod rate;
pub(crate) mod row_time;
pub(crate) mod stamps;
pub(crate) mod tracker;

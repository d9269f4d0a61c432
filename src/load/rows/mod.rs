//! Rows of a table, read on and on as a source of frames.

pub(crate) mod findings;
pub(crate) mod pieces;
pub(crate) mod plain_row;
pub(crate) mod plan;
pub(crate) mod row;
pub(crate) mod source;
pub(crate) mod state;
pub(crate) mod window;

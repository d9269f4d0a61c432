//! Statements in front of the data.

pub(crate) mod fact;
pub(crate) mod quantity;
pub(crate) mod setting;
pub(crate) mod stated;

//! A text capture's bytes, lines and cells.

pub(crate) mod bytes;
pub(crate) mod detection;
pub(crate) mod dialect;
pub(crate) mod head;
pub(crate) mod records;

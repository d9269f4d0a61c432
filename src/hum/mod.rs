//! One description of the mains in a record.

pub(crate) mod track;

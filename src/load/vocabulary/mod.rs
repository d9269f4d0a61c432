//! The trade's words: names of columns with their units, keys of preambles.

pub(crate) mod meaning;
pub(crate) mod title;

//! The captures of an understood table.

pub(crate) mod assembly;
pub(crate) mod channel_names;
pub(crate) mod groups;
pub(crate) mod scaling;

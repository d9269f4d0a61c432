//! Tables turned on their side: one row a channel.

pub(crate) mod detection;
pub(crate) mod long_row;
pub(crate) mod record;
pub(crate) mod times;

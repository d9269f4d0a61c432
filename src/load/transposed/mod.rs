//! Tables turned on their side: one row a channel.

pub(crate) mod record;

//! What is read: the captures of a call, a machine's share of them, earlier results.

pub mod inputs;
pub mod resume;
pub mod shard;

//! What is read: the captures of a call, a machine's share of them, earlier results.

pub mod against;
pub mod follow;
pub mod inputs;
pub mod measured;
pub mod resume;
pub mod shard;

//! Which captures are compared, which speak of what, and what does not match between them.

mod channel;
mod choice;
pub(super) mod mismatch;
pub(super) mod mistakes;

pub(super) use channel::{same_channel, too_few_conditions};
pub(super) use choice::{ALL, Selection};

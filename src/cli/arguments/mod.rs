//! The arguments, as typed and as meant.

mod number;
pub mod request;
pub mod typed;

//! Files that are written.

pub mod files;
mod held;
pub mod picture;
mod scratch;
#[cfg(unix)]
pub mod signals;

//! Files that are written.

pub mod files;
mod held;
mod scratch;
#[cfg(unix)]
mod signals;

//! WAV recordings.

pub(crate) mod format;
pub(crate) mod source;

//! What a stored result rests on.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs;
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Size and time of the file that was measured, and what it was measured with: where all are the same, the
/// result need not be had again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SourceStamp {
    /// Size of the file.
    pub bytes: u64,
    /// Time of its last change, seconds since 1970 with nine decimals.
    pub modified_s: String,
    /// Digest of the program's version and the options.
    pub options: String,
}

impl SourceStamp {
    /// Of a regular file, given the digest of the options; `None` for anything else.
    #[must_use]
    pub fn of(path: &Path, options: &str) -> Option<Self> {
        let file = fs::metadata(path).ok().filter(fs::Metadata::is_file)?;
        let modified = file.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        Some(Self {
            bytes: file.len(),
            modified_s: format!("{}.{:09}", modified.as_secs(), modified.subsec_nanos()),
            options: options.to_owned(),
        })
    }
}

/// Digest of the program's version and of options as they are written for debugging, which is to the bit.
#[must_use]
pub fn options_digest(options: &str) -> String {
    let mut hasher = Sha256::new();
    hasher.update(env!("CARGO_PKG_VERSION"));
    hasher.update([0]);
    hasher.update(options);
    hasher
        .finalize()
        .iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

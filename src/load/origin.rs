//! Where a capture comes from.

use std::path::{Path, PathBuf};

/// What a capture is called, and where errors say that it comes from.
pub(crate) struct Origin {
    pub path: PathBuf,
    pub name: String,
}

impl Origin {
    /// Bytes or a stream that the caller calls so.
    pub fn named(name: String) -> Self {
        Self {
            path: PathBuf::from(&name),
            name,
        }
    }

    /// A file.
    pub fn file(path: &Path) -> Self {
        Self {
            path: path.to_path_buf(),
            name: path.display().to_string(),
        }
    }
}

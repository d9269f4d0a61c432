//! Whether two paths lead to one file.

use std::fs::{self, Metadata};
use std::path::Path;

/// What a file is told by, whatever path or link led to it.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Identity(Key);

#[cfg(unix)]
type Key = (u64, u64);
#[cfg(not(unix))]
type Key = std::path::PathBuf;

impl Identity {
    /// Of the file behind a path; `None` where there is none.
    pub fn of(path: &Path) -> Option<Self> {
        #[cfg(unix)]
        return fs::metadata(path).ok().map(|file| Self::known(&file));
        #[cfg(not(unix))]
        return fs::canonicalize(path).ok().map(Self);
    }

    #[cfg(unix)]
    fn known(file: &Metadata) -> Self {
        use std::os::unix::fs::MetadataExt;
        Self((file.dev(), file.ino()))
    }

    /// Of the regular file that standard output goes to, if it does.
    pub fn of_standard_output() -> Option<Self> {
        #[cfg(unix)]
        {
            use std::os::fd::AsFd;
            let owned = std::io::stdout().as_fd().try_clone_to_owned().ok()?;
            let file = fs::File::from(owned).metadata().ok()?;
            file.is_file().then(|| Self::known(&file))
        }
        #[cfg(not(unix))]
        None
    }
}

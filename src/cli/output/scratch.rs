//! Folders of unfinished files: gone when they are given up, also after a signal that can be caught.

use super::held::held;
#[cfg(unix)]
use super::signals;
use std::io;
use std::path::Path;
use tempfile::{Builder, TempDir};

/// A folder beside the outputs-to-be, named so that a scan of captures passes it over.
#[derive(Debug)]
pub struct Scratch(Option<TempDir>);

impl Scratch {
    /// A new one in this folder.
    pub fn within(folder: &Path) -> io::Result<Self> {
        #[cfg(unix)]
        signals::watch();
        // Held before a signal can come between making it and noting it.
        let mut held = held();
        let made = Builder::new().prefix(".humsieve-").tempdir_in(folder)?;
        held.push(made.path().to_path_buf());
        Ok(Self(Some(made)))
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        self.0.as_ref().map_or(Path::new(""), TempDir::path)
    }

    /// Does what no signal is to interrupt half-way.
    pub fn uninterrupted<T>(&self, work: impl FnOnce() -> T) -> T {
        let _waits = held();
        work()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let mut held = held();
        if let Some(folder) = self.0.take() {
            held.retain(|path| path != folder.path());
        }
    }
}

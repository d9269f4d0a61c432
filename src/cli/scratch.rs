//! Folders of unfinished files: gone when they are given up, also after a signal that can be caught.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use tempfile::{Builder, TempDir};

static HELD: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

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

fn held() -> MutexGuard<'static, Vec<PathBuf>> {
    HELD.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Attempts to empty a folder that another thread may still be filling.
#[cfg(unix)]
const ATTEMPTS: usize = 20;

#[cfg(unix)]
fn remove_all(folders: &[PathBuf]) {
    for folder in folders {
        for _ in 0..ATTEMPTS {
            if std::fs::remove_dir_all(folder).is_ok() || !folder.exists() {
                break;
            }
        }
    }
}

#[cfg(unix)]
mod signals {
    use super::{held, remove_all};
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;
    use signal_hook::low_level::emulate_default_handler;
    use std::fs;
    use std::sync::Once;
    use std::thread;

    /// Takes the folders away before the signal does what it does without us.
    pub fn watch() {
        static ONCE: Once = Once::new();
        ONCE.call_once(|| {
            let wanted = [SIGINT, SIGTERM, SIGHUP]
                .into_iter()
                .filter(|&signal| !is_ignored(signal));
            let Ok(mut signals) = Signals::new(wanted) else {
                return;
            };
            thread::spawn(move || {
                for signal in signals.forever() {
                    // Not given back: nothing may be put in place any more.
                    let folders = held();
                    remove_all(&folders);
                    let _ = emulate_default_handler(signal);
                }
            });
        });
    }

    /// Whether whoever started the program had the signal ignored (as `nohup` does), where the system
    /// tells it.
    fn is_ignored(signal: i32) -> bool {
        fs::read_to_string("/proc/self/status")
            .ok()
            .and_then(|status| {
                let mask = status
                    .lines()
                    .find_map(|line| line.strip_prefix("SigIgn:"))?;
                u64::from_str_radix(mask.trim(), 16).ok()
            })
            .is_some_and(|mask| mask & (1 << (signal - 1)) != 0)
    }
}

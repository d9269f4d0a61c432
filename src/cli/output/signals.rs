//! Signals that end the program take its unfinished files with them.

use super::held::held;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use signal_hook::low_level::emulate_default_handler;
use std::fs;
use std::path::PathBuf;
use std::sync::Once;
use std::thread;

/// Attempts to empty a folder that another thread may still be filling.
const ATTEMPTS: usize = 20;

fn remove_all(folders: &[PathBuf]) {
    for folder in folders {
        for _ in 0..ATTEMPTS {
            if fs::remove_dir_all(folder).is_ok() || !folder.exists() {
                break;
            }
        }
    }
}

/// Takes the folders away before the signal does what it does without us.
pub(super) fn watch() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let Ok(mut signals) = Signals::new(wanted()) else {
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

/// Tells of the first signal that asks for the end; the next one ends the program.
pub fn ending_signal(tell: impl Fn() + Send + 'static) {
    let Ok(mut signals) = Signals::new(wanted()) else {
        return;
    };
    thread::spawn(move || {
        for (count, signal) in signals.forever().enumerate() {
            if count == 0 {
                tell();
            } else {
                let _ = emulate_default_handler(signal);
            }
        }
    });
}

fn wanted() -> impl Iterator<Item = i32> {
    let ending = [SIGINT, SIGTERM, SIGHUP].into_iter();
    ending.filter(|&signal| !is_ignored(signal))
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

//! Captures as they are saved: folders that are watched.

use super::inputs::Input;
use crate::cli::console;
use crate::cli::failure::Failure;
use crate::cli::identity::Identity;
#[cfg(unix)]
use crate::cli::output::signals::ending_signal;
use crate::load::{find_captures, names_capture};
use notify::event::{EventKind, ModifyKind, RenameMode};
use notify::{Event, RecommendedWatcher, RecursiveMode, Watcher};
use std::collections::{BTreeMap, HashMap};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant, SystemTime};

/// A file whose size and time stay for so long is taken for saved.
const SETTLING: Duration = Duration::from_millis(400);
/// A file that stays empty or cannot be opened is given out after so long nevertheless, for its error.
const PATIENCE: Duration = Duration::from_secs(5);
/// How often waiting files are looked at.
const TICK: Duration = Duration::from_millis(100);
/// How often the folders are looked through, whatever the file system tells: some tell nothing.
const LOOK: Duration = Duration::from_secs(1);
/// The folders are looked through for at most this share of the time.
const LOOK_SHARE: u32 = 20;

enum Message {
    Changed(Vec<PathBuf>),
    /// It came complete under its name.
    Renamed(PathBuf),
    Look,
    Stop,
}

/// By what a file's saving is known.
#[derive(Debug, Clone, PartialEq)]
struct State {
    bytes: u64,
    changed: Option<SystemTime>,
    identity: Option<Identity>,
}

struct Waiting {
    state: State,
    since: Instant,
}

/// Folders whose captures are given out once they are saved.
pub struct Follow {
    /// As typed, and as the file system names them.
    folders: Vec<(PathBuf, PathBuf)>,
    messages: Receiver<Message>,
    /// Keeps the watch alive; `None` where the file system gives no events.
    _watcher: Option<RecommendedWatcher>,
    _sender: Sender<Message>,
    output: Option<Identity>,
    given: HashMap<PathBuf, State>,
    waiting: BTreeMap<PathBuf, Waiting>,
    next_look: Instant,
    stopped: Arc<AtomicBool>,
}

impl Follow {
    /// Watches the folders from now on, until a signal asks for the end.
    pub fn begin(folders: &[PathBuf], quiet: bool) -> Result<Self, Failure> {
        let refused = |path: &Path| {
            Failure::Usage(format!(
                "--follow watches folders, and '{}' is none; name the folder that the instrument saves to",
                path.display()
            ))
        };
        if folders.is_empty() {
            return Err(Failure::Usage(
                "--follow needs a folder: name the one that the instrument saves to".into(),
            ));
        }
        if let Some(other) = folders.iter().find(|path| !path.is_dir()) {
            return Err(refused(other));
        }
        let absolute = |path: &PathBuf| std::path::absolute(path).unwrap_or_else(|_| path.clone());
        let folders: Vec<(PathBuf, PathBuf)> = folders
            .iter()
            .map(|path| (path.clone(), absolute(path)))
            .collect();
        let (sender, messages) = channel();
        let stopped = Arc::new(AtomicBool::new(false));
        #[cfg(unix)]
        {
            let (stopped, sender) = (Arc::clone(&stopped), sender.clone());
            ending_signal(move || {
                stopped.store(true, Ordering::Relaxed);
                let _ = sender.send(Message::Stop);
            });
        }
        let watcher = watcher(&folders, sender.clone());
        if watcher.is_none() && !quiet {
            console::say("the file system tells of no changes here; looking every second instead");
        }
        Ok(Self {
            folders,
            messages,
            _watcher: watcher,
            _sender: sender,
            output: Identity::of_standard_output(),
            given: HashMap::new(),
            waiting: BTreeMap::new(),
            next_look: Instant::now(),
            stopped,
        })
    }

    /// Whether the end was asked for.
    pub fn stopped(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.stopped)
    }

    /// The captures that are there and were not just being written.
    pub fn first(&mut self) -> Vec<Input> {
        self.look();
        let old = |state: &State| {
            let age = state.changed.and_then(|time| time.elapsed().ok());
            age.is_some_and(|age| age >= PATIENCE)
        };
        for waiting in self.waiting.values_mut() {
            if old(&waiting.state)
                && let Some(long_ago) = waiting.since.checked_sub(SETTLING)
            {
                waiting.since = long_ago;
            }
        }
        self.ready()
    }

    /// Waits for the next that are saved; `None` at the end.
    pub fn next(&mut self) -> Option<Vec<Input>> {
        loop {
            if self.stopped.load(Ordering::Relaxed) {
                return None;
            }
            let ready = self.ready();
            if !ready.is_empty() {
                return Some(ready);
            }
            let look = self.next_look.saturating_duration_since(Instant::now());
            let wait = if self.waiting.is_empty() {
                look
            } else {
                look.min(TICK)
            };
            if let Ok(message) = self.messages.recv_timeout(wait) {
                self.take(message);
            }
            while let Ok(message) = self.messages.try_recv() {
                self.take(message);
            }
            if self.next_look <= Instant::now() {
                self.look();
            }
        }
    }

    fn take(&mut self, message: Message) {
        match message {
            Message::Changed(paths) => paths.iter().for_each(|path| self.notice(path, false)),
            Message::Renamed(path) => self.notice(&path, true),
            Message::Look => self.next_look = Instant::now(),
            Message::Stop => {}
        }
    }

    /// A path that the file system told of.
    fn notice(&mut self, path: &Path, complete: bool) {
        let typed = self.folders.iter().find_map(|(typed, absolute)| {
            let below = path.strip_prefix(absolute).ok()?;
            Some((typed.join(below), names_capture(below)))
        });
        match typed {
            Some((path, true)) => self.consider(path, complete),
            // A folder may have come with captures in it.
            Some((path, false)) if !path.is_dir() => {}
            _ => self.next_look = Instant::now(),
        }
    }

    fn look(&mut self) {
        let begun = Instant::now();
        let folders: Vec<PathBuf> = self
            .folders
            .iter()
            .map(|(typed, _)| typed.clone())
            .collect();
        for folder in folders {
            for path in find_captures(&folder).unwrap_or_default() {
                self.consider(path, false);
            }
        }
        self.next_look = Instant::now() + LOOK.max(LOOK_SHARE * begun.elapsed());
    }

    /// Waits for a file that is not as it was when it was given out.
    fn consider(&mut self, path: PathBuf, complete: bool) {
        let Some(state) = State::of(&path).filter(|state| self.given.get(&path) != Some(state))
        else {
            return;
        };
        if state.identity.is_some() && state.identity == self.output {
            return;
        }
        let now = Instant::now();
        let settled = now.checked_sub(SETTLING).filter(|_| complete);
        match self.waiting.get_mut(&path) {
            Some(waiting) if waiting.state == state && !complete => {}
            _ => {
                let since = settled.unwrap_or(now);
                self.waiting.insert(path, Waiting { state, since });
            }
        }
    }

    /// Those that have settled, by name.
    fn ready(&mut self) -> Vec<Input> {
        let mut ready = Vec::new();
        let given = &mut self.given;
        self.waiting.retain(|path, waiting| {
            let Some(state) = State::of(path) else {
                return false;
            };
            if state != waiting.state {
                *waiting = Waiting {
                    state,
                    since: Instant::now(),
                };
                return true;
            }
            let unchanged = waiting.since.elapsed();
            let whole = || state.bytes > 0 && File::open(path).is_ok();
            let saved = unchanged >= PATIENCE || unchanged >= SETTLING && whole();
            if saved {
                given.insert(path.clone(), state);
                ready.push(Ok(path.clone()));
            }
            !saved
        });
        ready
    }
}

impl State {
    fn of(path: &Path) -> Option<Self> {
        let file = fs::metadata(path).ok().filter(fs::Metadata::is_file)?;
        Some(Self {
            bytes: file.len(),
            changed: file.modified().ok(),
            identity: Identity::of(path),
        })
    }
}

/// A watch on all folders that tells of what changes in them.
fn watcher(folders: &[(PathBuf, PathBuf)], sender: Sender<Message>) -> Option<RecommendedWatcher> {
    let tell = move |event: notify::Result<Event>| {
        let message = match event {
            Ok(event) => told(event),
            Err(_) => Some(Message::Look),
        };
        if let Some(message) = message {
            let _ = sender.send(message);
        }
    };
    let mut watcher = notify::recommended_watcher(tell).ok()?;
    for (_, folder) in folders {
        watcher.watch(folder, RecursiveMode::Recursive).ok()?;
    }
    Some(watcher)
}

fn told(mut event: Event) -> Option<Message> {
    if event.need_rescan() {
        return Some(Message::Look);
    }
    match event.kind {
        EventKind::Modify(ModifyKind::Name(RenameMode::To | RenameMode::Both)) => {
            event.paths.pop().map(Message::Renamed)
        }
        EventKind::Access(_) | EventKind::Remove(_) => None,
        _ => Some(Message::Changed(event.paths)),
    }
}

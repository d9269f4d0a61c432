//! Standard output for results, standard error for everything else.

use super::progress::Progress;
use crate::Error;
use crate::printable::printable;
use crate::wrap::{NARROWEST, lines};
use indicatif::ProgressBar;
use std::io::{self, BufWriter, IsTerminal, StdoutLock, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use terminal_size::{Width, terminal_size_of};

/// Columns that text takes at the most: longer lines are hard to read.
const WIDEST: usize = 120;

/// Where results go.
pub fn results() -> BufWriter<StdoutLock<'static>> {
    BufWriter::with_capacity(1 << 16, io::stdout().lock())
}

/// Whether results may be coloured: on a terminal, unless `NO_COLOR` is set (common practice, no source).
pub fn is_coloured() -> bool {
    io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}

/// Columns for text on standard output; `None` where that is no terminal, or one that does not tell.
pub fn columns() -> Option<usize> {
    let (Width(columns), _) = terminal_size_of(io::stdout())?;
    Some(usize::from(columns).clamp(NARROWEST, WIDEST))
}

/// Standard error: progress on a terminal, and errors.
#[derive(Debug)]
pub struct Console {
    shows_progress: bool,
    /// Results and progress may be on one terminal.
    shared: bool,
    progress: Mutex<Option<Progress>>,
}

impl Console {
    /// Progress is shown on a terminal, unless it is to be quiet.
    pub fn new(quiet: bool) -> Self {
        let shows_progress = !quiet && io::stderr().is_terminal();
        Self {
            shows_progress,
            shared: shows_progress && io::stdout().is_terminal(),
            progress: Mutex::new(None),
        }
    }

    /// A work begins, on so many captures; where it is one, its name is shown.
    pub fn begin(&self, captures: usize, name: &Path) {
        self.finish();
        if !self.shows_progress || captures == 0 {
            return;
        }
        let name = match name.to_string_lossy() {
            name if name == "-" => "standard input".to_owned(),
            name => printable(&name).into_owned(),
        };
        self.replace(Some(Progress::begin(captures, name)));
    }

    /// One more capture is done.
    pub fn advance(&self) {
        if let Some(bar) = self.bar() {
            bar.inc(1);
        }
    }

    /// The work has ended: takes its progress away.
    pub fn finish(&self) {
        self.replace(None);
    }

    /// Writes results, which must be flushed by `write`, where no progress stands in their way.
    pub fn giving<R>(&self, write: impl FnOnce() -> R) -> R {
        match self.bar().filter(|_| self.shared) {
            Some(bar) => bar.suspend(write),
            None => write(),
        }
    }

    /// A capture that failed.
    pub fn error(&self, file: &str, error: &Error) {
        if error.file() == Some(Path::new(file)) || file.is_empty() {
            self.say(&error.to_string());
        } else {
            self.say(&format!("{file}: {error}"));
        }
    }

    /// One line.
    pub fn say(&self, line: &str) {
        match self.bar() {
            Some(bar) => bar.suspend(|| say(line)),
            None => say(line),
        }
    }

    fn bar(&self) -> Option<ProgressBar> {
        let progress = self.progress.lock().unwrap_or_else(PoisonError::into_inner);
        progress.as_ref().map(|progress| progress.bar().clone())
    }

    fn replace(&self, next: Option<Progress>) {
        let mut progress = self.progress.lock().unwrap_or_else(PoisonError::into_inner);
        let ended = std::mem::replace(&mut *progress, next);
        drop(progress);
        drop(ended);
    }
}

/// One line on standard error, broken between words on a terminal that is narrower. Where that cannot be written, the
/// results are still worth having.
pub fn say(line: &str) {
    const LEAD: &str = "humsieve: ";
    let text = match terminal_size_of(io::stderr()) {
        Some((Width(columns), _)) => {
            let width = usize::from(columns).max(NARROWEST);
            lines(LEAD, line, width).collect::<Vec<_>>().join("\n")
        }
        None => format!("{LEAD}{}", printable(line)),
    };
    let _ = writeln!(io::stderr(), "{text}");
}

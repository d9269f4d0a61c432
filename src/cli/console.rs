//! Standard output for results, standard error for everything else.

use crate::Error;
use crate::printable::printable;
use crate::wrap::{NARROWEST, lines};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{self, BufWriter, IsTerminal, StdoutLock, Write};
use std::path::Path;
use terminal_size::{Width, terminal_size_of};

const LONG_BATCH: usize = 8;

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
    progress: Option<ProgressBar>,
}

impl Console {
    /// Progress is shown for a long batch, on a terminal, unless it is to be quiet.
    pub fn new(quiet: bool, captures: usize) -> Self {
        let shown = !quiet
            && captures >= LONG_BATCH
            && io::stderr().is_terminal()
            && !io::stdout().is_terminal();
        Self {
            progress: shown.then(|| {
                let bar = ProgressBar::with_draw_target(
                    Some(captures as u64),
                    ProgressDrawTarget::stderr(),
                );
                if let Ok(style) =
                    ProgressStyle::with_template("{bar:30} {pos} of {len} captures, {eta} left")
                {
                    bar.set_style(style);
                }
                bar
            }),
        }
    }

    /// One more capture is done.
    pub fn advance(&self) {
        if let Some(bar) = &self.progress {
            bar.inc(1);
        }
    }

    /// Takes the progress away.
    pub fn finish(&self) {
        if let Some(bar) = &self.progress {
            bar.finish_and_clear();
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
        match &self.progress {
            Some(bar) => bar.suspend(|| say(line)),
            None => say(line),
        }
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

//! How far a long work has come, on the terminal of standard error.

use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use std::convert::Infallible;
use std::fmt;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

/// A work that is done sooner shows nothing.
const PATIENCE: Duration = Duration::from_secs(2);
/// How often what is shown is drawn anew.
const TICK: Duration = Duration::from_millis(100);

/// Progress of one work, gone when this is dropped.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    /// Its end tells the thread to end.
    going_on: Option<Sender<Infallible>>,
    drawing: Option<JoinHandle<()>>,
}

impl Progress {
    /// Of so many captures, or of what is named where it is one.
    pub fn begin(captures: usize, name: String) -> Self {
        let bar =
            ProgressBar::with_draw_target(Some(captures as u64), ProgressDrawTarget::hidden());
        let template = if captures > 1 {
            "{wide_bar} {pos} of {len} captures{left}"
        } else {
            "{spinner} {elapsed} {wide_msg}"
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.with_key("left", left));
        }
        bar.set_message(name);
        let (going_on, ended) = channel();
        let drawn = bar.clone();
        let drawing = Builder::new().spawn(move || draw(&drawn, &ended)).ok();
        Self {
            bar,
            going_on: Some(going_on),
            drawing,
        }
    }

    /// What is shown.
    pub fn bar(&self) -> &ProgressBar {
        &self.bar
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        drop(self.going_on.take());
        if let Some(drawing) = self.drawing.take() {
            let _ = drawing.join();
        }
        self.bar.finish_and_clear();
    }
}

/// Draws, first after a while, until the work has ended.
fn draw(bar: &ProgressBar, ended: &Receiver<Infallible>) {
    let goes_on = |wait| ended.recv_timeout(wait) == Err(RecvTimeoutError::Timeout);
    if !goes_on(PATIENCE) {
        return;
    }
    bar.set_draw_target(ProgressDrawTarget::stderr());
    bar.tick();
    while goes_on(TICK) {
        bar.tick();
    }
}

/// The time that is left, once a capture says how long one takes.
fn left(state: &ProgressState, out: &mut dyn fmt::Write) {
    if (1..state.len().unwrap_or(0)).contains(&state.pos()) {
        let _ = write!(out, ", {:#} left", HumanDuration(state.eta()));
    }
}

//! How far a table has been read, and what is held back or doubtful.

use crate::Error;
use crate::load::rows::plain_row::PlainRow;
use crate::load::rows::plan::Plan;
use crate::load::rows::row::{Frame, Missing, Outcome};
use crate::load::time::row_time::{RowTime, Stamp};
use crate::load::time::tracker::Tracker;

/// What changes while reading and starts afresh on rewinding.
#[derive(Debug, Clone, Default)]
pub(crate) struct State {
    pub frame: u64,
    pub line: u64,
    pub time: RowTime,
    pub tracker: Option<Tracker>,
    /// A line that is no row: a trailing remark, unless rows follow.
    pub odd: Option<Error>,
    /// Lines left out since then.
    pub odd_lines: u64,
    /// Rows of delimiters only, counted until a row follows.
    pub blank_rows: u64,
    /// Frames missing before the row held back.
    pub gap: u64,
    pub held: Option<Vec<f64>>,
    pub missing: Vec<Missing>,
    /// The line at which the file was cut.
    pub cut: Option<u64>,
    pub done: bool,
    pub failed: Option<Error>,
}

impl State {
    pub fn new(plan: &Plan, channels: usize) -> Self {
        Self {
            line: plan.line,
            tracker: plan.grid.map(Tracker::new),
            missing: vec![Missing::default(); channels],
            ..Self::default()
        }
    }

    /// Nothing is held back and nothing is doubtful: plain rows may follow one another.
    pub fn is_settled(&self) -> bool {
        self.odd.is_none() && self.blank_rows == 0
    }

    /// Gives a missing frame, or the row that was held back for those.
    pub fn give_held(&mut self, frame: &mut Frame<'_>) -> bool {
        if self.gap > 0 {
            for channel in 0..self.missing.len() {
                frame.set(channel, f64::NAN);
            }
            self.gap -= 1;
        } else if let Some(values) = self.held.take() {
            for (channel, value) in values.iter().enumerate() {
                frame.set(channel, *value);
            }
        } else {
            return false;
        }
        self.frame += 1;
        true
    }

    /// Keeps the row at the frame until the frames missing before it have been given.
    pub fn hold_back(&mut self, frame: &Frame<'_>, missing: u64) {
        let values = (0..self.missing.len()).map(|c| frame.out[c * frame.stride + frame.index]);
        self.held = Some(values.collect());
        self.gap = missing;
    }

    /// Follows the times of plain rows, seconds their number times `factor`. Gives how many rows keep to the
    /// grid, and the frames missing before the next or its error where one does not.
    pub fn follow(
        &mut self,
        rows: &[PlainRow],
        factor: Option<f64>,
    ) -> (usize, Result<u64, Error>) {
        let (Some(tracker), Some(factor)) = (&mut self.tracker, factor) else {
            return (rows.len(), Ok(0));
        };
        let time = &mut self.time;
        let mut taken = 0;
        while taken < rows.len() {
            if let Some((first, step_s)) = time.basis(factor) {
                let stamps = rows[taken..]
                    .iter()
                    .map(|row| row.time)
                    .take_while(|number| number.is_aligned(first))
                    .map(|number| number.mantissa.wrapping_sub(first.mantissa) as f64 * step_s);
                let even = tracker.accept_even(self.frame + taken as u64, stamps);
                for row in &rows[taken..taken + even] {
                    time.widen(row.time);
                }
                taken += even;
            }
            let Some(row) = rows.get(taken) else { break };
            let stamp = time.of_number(row.time, factor);
            let (frame, line) = (self.frame + taken as u64, self.line + taken as u64);
            match tracker.accept(frame, stamp, line) {
                Ok(0) => taken += 1,
                Ok(missing) => {
                    let next = tracker.accept(frame + missing, stamp, line);
                    return (taken, next.map(|_| missing));
                }
                Err(error) => return (taken, Err(error)),
            }
        }
        (taken, Ok(0))
    }

    /// Takes what a line turned out to be, `cut` where it may be half a line, `timed` where rows have a time:
    /// a row with its stamp, or `None` where it is none.
    pub fn take(
        &mut self,
        outcome: Outcome,
        cut: bool,
        timed: bool,
    ) -> Result<Option<Option<Stamp>>, Error> {
        self.line += 1;
        match outcome {
            // Figures without a time below closing words belong to those.
            Outcome::Frame(None) if self.odd.is_some() && timed => self.odd_lines += 1,
            Outcome::Frame(_) | Outcome::End if self.odd.is_some() => {
                return self.odd.take().map_or(Ok(None), Err);
            }
            Outcome::Frame(stamp) => return Ok(Some(stamp)),
            Outcome::End => {
                self.done = true;
                return Ok(Some(None));
            }
            Outcome::Remark => {}
            Outcome::Blank => self.blank_rows += 1,
            Outcome::Bad(_) | Outcome::Odd(_) if cut => self.cut = Some(self.line - 1),
            Outcome::Bad(error) => return Err(error),
            Outcome::Odd(error) => {
                self.odd.get_or_insert(error);
                self.odd_lines += 1;
            }
        }
        Ok(None)
    }

    /// Frames missing before a row, by its stamp or by the blank rows in front of it.
    pub fn missing_before(&mut self, stamp: Option<Stamp>) -> Result<u64, Error> {
        let line = self.line - 1;
        let blank = std::mem::take(&mut self.blank_rows);
        match (&mut self.tracker, stamp) {
            (Some(tracker), Some(stamp)) => {
                let missing = tracker.accept(self.frame, stamp, line)?;
                if missing > 0 {
                    tracker.accept(self.frame + missing, stamp, line)?;
                }
                Ok(missing)
            }
            (Some(_), None) => Ok(0),
            (None, _) => {
                if blank > 0 {
                    for missing in &mut self.missing {
                        missing.note(blank, line - 1);
                    }
                }
                Ok(blank)
            }
        }
    }
}

//! The stretch of a text capture in memory.

use crate::Error;
use crate::load::rows::plan::Plan;
use crate::load::store::Store;
use crate::load::text::head::{LINE_LIMIT, too_long};
use std::sync::Arc;

/// Whole lines of a record, read from the file bit by bit.
#[derive(Debug)]
pub(crate) struct Window {
    store: Arc<Store>,
    bytes: Vec<u8>,
    /// Bytes to hold, unless a line needs more.
    size: usize,
    /// How often bytes were read.
    stretch: u64,
    at: usize,
    /// End of the last whole line.
    whole: usize,
    filled: usize,
    /// Byte of the file from which to read on.
    position: u64,
    /// Bytes of the record not read yet, where its end is known.
    left: Option<u64>,
    terminator: u8,
    at_end: bool,
    /// The last line had no line end.
    unterminated: bool,
}

impl Window {
    /// Stands at the first row of a record.
    pub fn new(store: Arc<Store>, plan: &Plan, size: usize) -> Self {
        let mut window = Self {
            store,
            bytes: Vec::new(),
            size,
            stretch: 0,
            at: 0,
            whole: 0,
            filled: 0,
            position: 0,
            left: None,
            terminator: plan.terminator,
            at_end: false,
            unterminated: false,
        };
        window.rewind(plan);
        window
    }

    /// Goes back to the first row.
    pub fn rewind(&mut self, plan: &Plan) {
        (self.at, self.whole, self.filled) = (0, 0, 0);
        self.position = plan.offset;
        self.left = plan.end.map(|end| end.saturating_sub(plan.offset));
        self.at_end = false;
        self.unterminated = false;
    }

    /// The whole lines at hand.
    #[inline]
    pub fn lines(&self) -> &[u8] {
        &self.bytes[self.at..self.whole]
    }

    /// Which stretch of the file is at hand: another number after every reading.
    pub fn stretch(&self) -> u64 {
        self.stretch
    }

    /// The next line with its end.
    pub fn line(&self) -> &[u8] {
        let lines = self.lines();
        let length = memchr::memchr(self.terminator, lines).map_or(lines.len(), |end| end + 1);
        &lines[..length]
    }

    /// Whether the next line opens like a row and is the file's last, without its line end: it may
    /// have been cut.
    pub fn is_cut(&self) -> bool {
        let line = self.line();
        let first = line.trim_ascii_start().first();
        self.at_end
            && self.unterminated
            && line.len() == self.lines().len()
            && first.is_some_and(|byte| byte.is_ascii_digit() || b"+-.,;\"".contains(byte))
    }

    /// Leaves bytes behind.
    #[inline]
    pub fn advance(&mut self, bytes: usize) {
        self.at += bytes;
    }

    /// Makes at least one whole line available; `false` at the end. `line` is the number of the next.
    pub fn refill(&mut self, line: u64) -> Result<bool, Error> {
        loop {
            if self.at < self.whole {
                return Ok(true);
            }
            if self.at_end {
                return Ok(false);
            }
            self.bytes.copy_within(self.at..self.filled, 0);
            self.filled -= self.at;
            self.at = 0;
            if self.filled * 2 > self.bytes.len() || self.bytes.is_empty() {
                let size = (self.bytes.len() * 2).max(self.size);
                self.bytes.resize(size, 0);
            }
            let mut room = self.bytes.len() - self.filled - 1;
            if let Some(left) = self.left {
                room = room.min(usize::try_from(left).unwrap_or(usize::MAX));
            }
            let free = &mut self.bytes[self.filled..self.filled + room];
            let count = self.store.read_at(free, self.position)?;
            self.position += count as u64;
            self.stretch += 1;
            if let Some(left) = &mut self.left {
                *left -= count as u64;
            }
            let searched = self.filled;
            self.filled += count;
            if count < room || self.left == Some(0) {
                self.at_end = true;
                if self.filled > 0 && self.bytes[self.filled - 1] != self.terminator {
                    self.bytes[self.filled] = self.terminator;
                    self.filled += 1;
                    self.unterminated = self.left.is_none();
                }
            }
            let read = &self.bytes[searched..self.filled];
            if self.filled > LINE_LIMIT
                && memchr::memchr(self.terminator, read).unwrap_or(read.len()) + searched
                    > LINE_LIMIT
            {
                return Err(too_long(line));
            }
            self.whole = memchr::memrchr(self.terminator, read).map_or(0, |at| searched + at + 1);
        }
    }
}

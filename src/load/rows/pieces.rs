//! Plain rows on all threads: each reads a piece of the lines at hand.

use crate::load::rows::plain_row::{PlainRow, read_plain_rows};
use crate::load::rows::plan::Plan;
use crate::load::rows::row::Frame;
use crate::load::value::shape::Shapes;
use crate::parallel::*;

/// Bytes of text to a piece.
pub(crate) const PIECE_BYTES: usize = 1 << 17;
/// More pieces at a time than this would take memory and bring nothing.
pub(crate) const PIECES_MOST: usize = 8;

/// Rows that were read ahead of their turn, piece after piece, and how far they were taken.
#[derive(Debug)]
pub(crate) struct Pieces {
    pieces: Vec<Piece>,
    channels: usize,
    /// Piece whose turn it is, and rows of it that were taken.
    turn: usize,
    taken: usize,
    /// Bytes of the text in front of the next row.
    passed: usize,
    /// Stretch of the file that was last read.
    stretch: u64,
}

#[derive(Debug, Default)]
struct Piece {
    shapes: Vec<Shapes>,
    rows: Vec<PlainRow>,
    /// Samples, channel after channel, with room for `stride` each.
    values: Vec<f64>,
    stride: usize,
    count: usize,
    /// Its place in the text.
    begins: usize,
    /// Nothing but plain rows were in it.
    whole: bool,
}

impl Piece {
    fn read(&mut self, plan: &Plan, channels: usize, text: &[u8], begins: usize) {
        let lines = memchr::memchr_iter(plan.terminator, text).count();
        if self.rows.len() < lines {
            self.rows.resize(lines, PlainRow::default());
        }
        self.stride = lines;
        if self.values.len() < channels * lines {
            self.values.resize(channels * lines, 0.0);
        }
        let mut frame = Frame {
            out: &mut self.values,
            stride: lines,
            index: 0,
        };
        let rows = &mut self.rows[..lines];
        self.count = read_plain_rows(plan, &mut self.shapes, text, &mut frame, rows);
        self.whole = self.count == lines;
        self.begins = begins;
    }
}

impl Pieces {
    pub fn new(count: usize, plan: &Plan, channels: usize) -> Self {
        let piece = || Piece {
            shapes: vec![Shapes::default(); plan.columns.len()],
            ..Piece::default()
        };
        Self {
            pieces: (0..count).map(|_| piece()).collect(),
            channels,
            turn: count,
            taken: 0,
            passed: 0,
            stretch: 0,
        }
    }

    /// Forgets the rows that were not taken.
    pub fn clear(&mut self) {
        self.turn = self.pieces.len();
    }

    /// Reads whole lines, a piece to each thread: once of every stretch of the file, whose rows behind a line that is no
    /// plain row are not worth a second time.
    pub fn read_once(&mut self, stretch: u64, plan: &Plan, text: &[u8]) {
        if std::mem::replace(&mut self.stretch, stretch) == stretch {
            return;
        }
        let share = text.len().div_ceil(self.pieces.len());
        let mut begins = 0;
        let mut shares = Vec::with_capacity(self.pieces.len());
        for _ in &self.pieces {
            let rest = &text[begins..];
            let length = match rest.get(share..) {
                None => rest.len(),
                Some(behind) => memchr::memchr(plan.terminator, behind)
                    .map_or(rest.len(), |end| share + end + 1),
            };
            shares.push((&rest[..length], begins));
            begins += length;
        }
        let channels = self.channels;
        self.pieces
            .par_iter_mut()
            .zip(shares)
            .for_each(|(piece, (text, begins))| piece.read(plan, channels, text, begins));
        (self.turn, self.taken, self.passed) = (0, 0, 0);
    }

    /// The next rows of one piece with their samples put into the frame, as many as there is room for; `None` where all
    /// were taken up to the end or to a line that is no plain row.
    pub fn next(&mut self, frame: &mut Frame<'_>) -> Option<&[PlainRow]> {
        loop {
            let piece = self.pieces.get(self.turn)?;
            if self.taken < piece.count {
                break;
            }
            if !piece.whole {
                self.clear();
                return None;
            }
            self.turn += 1;
            self.taken = 0;
        }
        let piece = &self.pieces[self.turn];
        let count = (piece.count - self.taken).min(frame.stride - frame.index);
        for channel in 0..self.channels {
            let from = channel * piece.stride + self.taken;
            let to = channel * frame.stride + frame.index;
            frame.out[to..to + count].copy_from_slice(&piece.values[from..from + count]);
        }
        Some(&piece.rows[self.taken..self.taken + count])
    }

    /// Counts rows of the last ones given as taken; gives their bytes.
    pub fn take(&mut self, rows: usize) -> usize {
        let Some(piece) = self.pieces.get(self.turn) else {
            return 0;
        };
        self.taken += rows;
        let Some(last) = self.taken.checked_sub(1).and_then(|at| piece.rows.get(at)) else {
            return 0;
        };
        let end = piece.begins + last.end;
        end - std::mem::replace(&mut self.passed, end)
    }
}

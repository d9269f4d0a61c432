//! A text table as a source of frames.

use crate::capture::{CaptureHeader, FrameSource, slice_of};
use crate::load::rows::findings;
use crate::load::rows::pieces::{PIECE_BYTES, PIECES_MOST, Pieces};
use crate::load::rows::plain_row::{PlainRow, read_plain_rows};
use crate::load::rows::plan::Plan;
use crate::load::rows::row::{Frame, Outcome, read_row};
use crate::load::rows::state::State;
use crate::load::rows::window::Window;
use crate::load::store::Store;
use crate::load::text::bytes::decode;
use crate::load::text::records::SCAN_LIMIT;
use crate::load::time::rate;
use crate::load::time::row_time::Stamp;
use crate::load::value::cell;
use crate::load::value::shape::Shapes;
use crate::parallel::threads;
use crate::{Error, ErrorKind, Warning};
use ndarray::Array2;
use std::borrow::Cow;
use std::path::PathBuf;
use std::sync::Arc;

/// A text table being read: plain rows on the fast path, the others cell by cell.
#[derive(Debug)]
pub(crate) struct TableSource {
    path: PathBuf,
    plan: Plan,
    header: CaptureHeader,
    known: Vec<Warning>,
    found: Vec<Warning>,
    state: State,
    window: Window,
    /// Shapes of the numbers of each column.
    shapes: Vec<Shapes>,
    /// Plain rows read in a run.
    rows: Vec<PlainRow>,
    /// The same, read on all threads: long records only.
    pieces: Option<Pieces>,
}

/// Plain rows read before their times are looked at.
const RUN_ROWS: usize = 256;

/// Bytes of a record that one thread has at hand.
const BUFFER_BYTES: usize = 1 << 16;

/// Records shorter than this are read by one thread.
const PIECES_FROM_BYTES: u64 = 1 << 22;

/// Threads that it takes to read in pieces: of two, the other has the analysis to do.
const PIECES_LEAST: usize = 3;

impl TableSource {
    pub fn new(
        path: PathBuf,
        store: Arc<Store>,
        plan: Plan,
        header: CaptureHeader,
        known: Vec<Warning>,
    ) -> Self {
        let bytes = plan
            .end
            .unwrap_or(store.length())
            .saturating_sub(plan.offset);
        let threads = threads().min(PIECES_MOST);
        let pieces = (threads >= PIECES_LEAST && bytes >= PIECES_FROM_BYTES)
            .then(|| Pieces::new(threads, &plan, header.channels.len()));
        let buffer = match &pieces {
            Some(_) => threads * PIECE_BYTES,
            // A short record with the line end that its last line may lack.
            None => {
                usize::try_from(bytes + 2).map_or(BUFFER_BYTES, |bytes| bytes.min(BUFFER_BYTES))
            }
        };
        Self {
            path,
            state: State::new(&plan, header.channels.len()),
            window: Window::new(store, &plan, buffer),
            pieces,
            shapes: vec![Shapes::default(); plan.columns.len()],
            rows: vec![PlainRow::default(); RUN_ROWS],
            plan,
            header,
            known,
            found: Vec::new(),
        }
    }

    /// Reads to the end once, so that the time base is that of the whole record, and goes back.
    pub fn survey(&mut self) -> Result<(), Error> {
        let frames = self.header.block_frames(1 << 12);
        let mut block = Array2::zeros((self.header.channels.len(), frames));
        while self.read_block(&mut block)? > 0 {}
        self.rewind()
    }

    fn fill_block(&mut self, out: &mut [f64], stride: usize) -> Result<usize, Error> {
        let mut at = 0;
        while at < stride {
            let mut frame = Frame {
                out: &mut *out,
                stride,
                index: at,
            };
            if self.state.give_held(&mut frame) {
                at += 1;
                continue;
            }
            if !self.window.refill(self.state.line)? {
                self.finish()?;
                break;
            }
            if !self.plan.plain && self.state.is_settled() {
                let missing = self.plain_rows(&mut frame)?;
                at = frame.index;
                if missing > 0 {
                    self.state.hold_back(&frame, missing);
                    continue;
                }
                if at >= stride || self.window.lines().is_empty() {
                    continue;
                }
            }
            frame.index = at;
            let Some(stamp) = self.general_row(&mut frame)? else {
                continue;
            };
            if self.state.done {
                self.finish()?;
                break;
            }
            let missing = self.state.missing_before(stamp)?;
            if missing > 0 {
                self.state.hold_back(&frame, missing);
            } else {
                self.state.frame += 1;
                at += 1;
            }
        }
        Ok(at)
    }

    /// Reads plain rows as long as they come; gives the frames that are missing before the row that
    /// was read last.
    fn plain_rows(&mut self, frame: &mut Frame<'_>) -> Result<u64, Error> {
        let factor = self.plan.factor();
        loop {
            let lines = self.window.lines();
            let first = frame.index;
            let in_turn = match &mut self.pieces {
                Some(pieces) => {
                    pieces.read_once(self.window.stretch(), &self.plan, lines);
                    pieces.next(frame)
                }
                None => None,
            };
            let ahead = in_turn.is_some();
            let rows = match in_turn {
                Some(rows) => rows,
                None => {
                    let (shapes, rows) = (&mut self.shapes, &mut self.rows);
                    let count = read_plain_rows(&self.plan, shapes, lines, frame, rows);
                    &rows[..count]
                }
            };
            let count = rows.len();
            let (taken, outcome) = self.state.follow(rows, factor);
            let passed = !matches!(outcome, Ok(0));
            let read = taken + usize::from(passed);
            let last = read.checked_sub(1).and_then(|last| rows.get(last));
            let end = last.map_or(0, |row| row.end);
            let bytes = match &mut self.pieces {
                Some(pieces) if ahead => pieces.take(read),
                _ => end,
            };
            self.window.advance(bytes);
            self.state.frame += taken as u64;
            self.state.line += read as u64;
            frame.index = first + taken;
            let full = frame.index >= frame.stride;
            if passed || full || !ahead && count < self.rows.len() {
                return outcome;
            }
        }
    }

    /// Reads the line at hand cell by cell: a row with its stamp, or `None` where it is none.
    #[cold]
    fn general_row(&mut self, frame: &mut Frame<'_>) -> Result<Option<Option<Stamp>>, Error> {
        if let Some(pieces) = &mut self.pieces {
            pieces.clear();
        }
        let (bytes, cut) = (self.window.line().len(), self.window.is_cut());
        let outcome = self.read_line(frame);
        self.window.advance(bytes);
        self.state.take(outcome, cut, self.plan.time.is_some())
    }

    fn read_line(&mut self, frame: &mut Frame<'_>) -> Outcome {
        let (state, plan) = (&mut self.state, &self.plan);
        let line = decode(self.window.line());
        let line = line.trim_end_matches(['\r', '\n']);
        // Files of fixed size are filled up with zeros.
        let trimmed = line.trim().trim_matches('\0');
        if trimmed.is_empty() {
            return if plan.blank_is_missing && !line.contains('\u{1a}') {
                Outcome::Blank
            } else {
                Outcome::Remark
            };
        }
        if trimmed.starts_with(['#', '%']) && !plan.takes(&trimmed[..1]) {
            return Outcome::Remark;
        }
        let mut cells: Vec<Cow<'_, str>> = Vec::new();
        plan.dialect.split(line, &mut cells);
        let foreign = plan.label.as_ref().is_some_and(|(column, label)| {
            cells.len() >= plan.columns.len() && cell::bare(&cells[*column]) != label
        });
        if foreign {
            return Outcome::Remark;
        }
        let outcome = read_row(
            plan,
            &cells,
            state.line,
            &mut state.time,
            &mut state.missing,
            frame,
        );
        let is_row = !matches!(outcome, Outcome::Bad(_) | Outcome::Odd(_));
        if !is_row && plan.header.as_deref() == Some(trimmed) {
            // What stands in front of a header that comes again is the head of a page.
            state.odd = None;
            state.odd_lines = 0;
            return Outcome::Remark;
        }
        match outcome {
            // Words may close a table; a row of it that is parted otherwise is none of those.
            Outcome::Odd(error) if plan.dialect.holds_only_data(trimmed) => {
                Outcome::Bad(parted_otherwise(&error, plan, state.line))
            }
            other => other,
        }
    }

    /// At the end: the refined time base and what was noticed.
    fn finish(&mut self) -> Result<(), Error> {
        let state = &mut self.state;
        state.done = true;
        let frames = state.frame;
        if frames == 0 {
            return Err(ErrorKind::NoSamples.error("the file holds no row of samples"));
        }
        self.header.frames = Some(frames);
        let grid = match (&state.tracker, self.plan.grid) {
            (Some(tracker), _) if frames > 1 => Some(tracker.refined()),
            (_, grid) => grid,
        };
        let (time_base, mut found) = rate::decide(self.plan.stated_rates, grid)?;
        self.header.time_base = time_base;
        if let Some(tracker) = &state.tracker {
            found.extend(findings::of_times(tracker, frames));
        }
        found.extend(findings::of_samples(
            &self.header.channels,
            &state.missing,
            frames,
        ));
        found.extend(state.cut.map(findings::of_cut));
        if let Some(error) = &state.odd {
            found.extend(findings::of_closing_lines(error, state.odd_lines, frames));
        }
        let stated = self.plan.stated_frames;
        found.extend(stated.and_then(|stated| findings::of_length(stated, frames)));
        self.found = found;
        Ok(())
    }
}

/// The error for a row whose cells another mark parts than those of the rows above.
fn parted_otherwise(error: &Error, plan: &Plan, line: u64) -> Error {
    let message = format!(
        "{}; its cells are not parted by {} as those above are: write all rows alike",
        error.message(),
        plan.dialect.delimiter.name()
    );
    let told = ErrorKind::BadValue.error(message).at_line(line);
    told.at_column(error.column().unwrap_or(1))
}

/// Tells that a fault in a long file may be the head of a second record.
fn with_record_hint(error: Error) -> Error {
    if !matches!(
        error.kind(),
        ErrorKind::BadValue | ErrorKind::UnevenSampling
    ) {
        return error;
    }
    let message = format!(
        "{}; a file of more than {} MiB is read as one record: split it where it holds several",
        error.message(),
        SCAN_LIMIT >> 20
    );
    error.reworded(message)
}

impl FrameSource for TableSource {
    fn header(&self) -> &CaptureHeader {
        &self.header
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        if let Some(error) = &self.state.failed {
            return Err(error.clone());
        }
        if self.state.done {
            return Ok(0);
        }
        let stride = block.ncols();
        let result = slice_of(block, self.header.channels.len())
            .and_then(|out| self.fill_block(out, stride));
        result.map_err(|error| {
            let error = if self.plan.unsearched {
                with_record_hint(error)
            } else {
                error
            };
            let error = error.in_file(&self.path);
            self.state.failed = Some(error.clone());
            error
        })
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.state = State::new(&self.plan, self.header.channels.len());
        self.window.rewind(&self.plan);
        if let Some(pieces) = &mut self.pieces {
            pieces.clear();
        }
        Ok(())
    }

    fn warnings(&self) -> Vec<Warning> {
        self.known.iter().chain(&self.found).cloned().collect()
    }
}

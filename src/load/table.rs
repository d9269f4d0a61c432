//! A text table as a source of frames.

use super::bytes::{decode, read_at, unreadable};
use super::cell::{self, Cell, OVERLOAD_FROM};
use super::clock::Moment;
use super::dialect::{Delimiter, Dialect, filled};
use super::number::{Decimal, power_of_ten, read_decimal};
use super::time_base::{self, Statements};
use super::time_column::{Grid, Tracker, short};
use super::unit;
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;
use std::borrow::Cow;
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;

const BUFFER_BYTES: usize = 1 << 18;
/// A line longer than this is refused rather than held in memory.
const LINE_LIMIT: usize = 1 << 28;

/// What a column is read for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Use {
    /// Not read.
    Skip,
    /// Part of the time base.
    Time,
    /// The samples of a channel: `(cell - reference) * factor + offset`.
    Value {
        /// 0-based channel.
        channel: usize,
        /// Counts taken off first.
        reference: f64,
        /// Multiplies what is left.
        factor: f64,
        /// Added last, in units of the channel.
        offset: f64,
    },
}

/// Where the time of a row stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum TimeCells {
    /// A number, times a factor to seconds.
    Number {
        /// Its column.
        column: usize,
        /// Seconds per unit.
        factor: f64,
    },
    /// Clock times, dates or stamps.
    Moment {
        /// Column of a clock time or a stamp.
        clock: usize,
        /// Column of a date of its own.
        date: Option<usize>,
        /// Column of milliseconds of their own.
        milliseconds: Option<usize>,
    },
}

/// How the rows of one record are read.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub dialect: Dialect,
    /// Byte that ends a line.
    pub terminator: u8,
    /// Byte at which the first row starts, and its 1-based line.
    pub offset: u64,
    pub line: u64,
    /// Byte at which the record ends, where it is not the file's end.
    pub end: Option<u64>,
    /// What each column is read for.
    pub columns: Vec<Use>,
    pub time: Option<TimeCells>,
    /// Step and resolution as the first rows give them; `None` without a time column to be checked.
    pub grid: Option<Grid>,
    pub statements: Statements,
    /// Frames that the preamble promises.
    pub stated_frames: Option<u64>,
    /// Channels end where their time column goes blank (groups of columns of unequal length).
    pub may_end_early: bool,
    /// A line without any cell is a missing sample (tables of one column).
    pub blank_is_missing: bool,
    /// Only rows with this text in this column belong to the capture.
    pub label: Option<(usize, String)>,
    /// Leave the fast path unused; for tests that compare the two.
    pub plain: bool,
}

/// A text table being read.
#[derive(Debug)]
pub(super) struct TableSource {
    path: PathBuf,
    file: Arc<File>,
    plan: Plan,
    header: CaptureHeader,
    known: Vec<Warning>,
    found: Vec<Warning>,
    state: State,
    window: Window,
}

/// What changes while reading and starts afresh on rewinding.
#[derive(Debug, Clone, Default)]
struct State {
    frame: u64,
    line: u64,
    first_stamp: Option<Decimal>,
    first_moment: Option<Moment>,
    last_moment_s: f64,
    wraps: f64,
    widest_mantissa: u64,
    tracker: Option<Tracker>,
    /// A line that is no row: a trailing remark, unless rows follow.
    odd: Option<Error>,
    /// Rows of delimiters only, counted until a row follows.
    blank_rows: u64,
    /// Frames missing before the row held back.
    gap: u64,
    held: Option<Vec<f64>>,
    missing: Vec<(u64, u64)>,
    cut: Option<u64>,
    done: bool,
    failed: Option<Error>,
}

impl State {
    /// Nothing is held back and nothing is doubtful: plain rows may follow one another.
    fn is_settled(&self) -> bool {
        self.odd.is_none() && self.blank_rows == 0
    }
}

/// The stretch of the file in memory.
#[derive(Debug, Default)]
struct Window {
    bytes: Vec<u8>,
    at: usize,
    /// End of the last whole line.
    whole: usize,
    filled: usize,
    /// Byte of the file from which to read on.
    position: u64,
    /// Bytes of the record not read yet, where its end is known.
    left: Option<u64>,
    at_end: bool,
    /// The last line had no line end.
    unterminated: bool,
}

/// A row that was read.
struct Row {
    /// Seconds after the first row and this stamp's extra rounding.
    time: Option<(f64, f64)>,
    bytes: usize,
}

impl TableSource {
    pub fn new(
        path: PathBuf,
        file: Arc<File>,
        plan: Plan,
        header: CaptureHeader,
        known: Vec<Warning>,
    ) -> Self {
        let mut source = Self {
            path,
            file,
            plan,
            header,
            known,
            found: Vec::new(),
            state: State::default(),
            window: Window::default(),
        };
        source.start();
        source
    }

    /// Reads to the end once, so that the time base is that of the whole record, and goes back.
    pub fn survey(&mut self) -> Result<(), Error> {
        let mut block = Array2::zeros((self.header.channels.len(), 1 << 12));
        while self.read_block(&mut block)? > 0 {}
        self.rewind()
    }

    fn start(&mut self) {
        self.state = State {
            line: self.plan.line,
            tracker: self.plan.grid.map(Tracker::new),
            missing: vec![(0, 0); self.header.channels.len()],
            ..State::default()
        };
        let bytes = std::mem::take(&mut self.window.bytes);
        self.window = Window {
            bytes,
            position: self.plan.offset,
            left: self
                .plan
                .end
                .map(|end| end.saturating_sub(self.plan.offset)),
            ..Window::default()
        };
    }

    /// Makes at least one whole line available; `false` at the end.
    fn refill(&mut self) -> Result<bool, Error> {
        let window = &mut self.window;
        loop {
            if window.at < window.whole {
                return Ok(true);
            }
            if window.at_end {
                return Ok(false);
            }
            window.bytes.copy_within(window.at..window.filled, 0);
            window.filled -= window.at;
            window.at = 0;
            if window.filled * 2 > window.bytes.len() || window.bytes.is_empty() {
                let size = (window.bytes.len() * 2).max(BUFFER_BYTES);
                if size > LINE_LIMIT {
                    return Err(Error::new(
                        ErrorKind::UnsupportedFormat,
                        format!(
                            "the line is longer than {} MiB; write one row a line",
                            LINE_LIMIT >> 21
                        ),
                    )
                    .at_line(self.state.line));
                }
                window.bytes.resize(size, 0);
            }
            let mut room = window.bytes.len() - window.filled - 1;
            if let Some(left) = window.left {
                room = room.min(usize::try_from(left).unwrap_or(usize::MAX));
            }
            let free = &mut window.bytes[window.filled..window.filled + room];
            let count =
                read_at(&self.file, free, window.position).map_err(|error| unreadable(&error))?;
            window.position += count as u64;
            if let Some(left) = &mut window.left {
                *left -= count as u64;
            }
            let searched = window.filled;
            window.filled += count;
            if count < room || window.left == Some(0) {
                window.at_end = true;
                if window.filled > 0 && window.bytes[window.filled - 1] != self.plan.terminator {
                    window.bytes[window.filled] = self.plan.terminator;
                    window.filled += 1;
                    window.unterminated = self.plan.end.is_none();
                }
            }
            window.whole =
                memchr::memrchr(self.plan.terminator, &window.bytes[searched..window.filled])
                    .map_or(0, |at| searched + at + 1);
        }
    }

    fn fill_block(&mut self, out: &mut [f64], stride: usize) -> Result<usize, Error> {
        let channels = self.header.channels.len();
        let mut at = 0;
        while at < stride {
            if self.state.gap > 0 {
                for channel in 0..channels {
                    out[channel * stride + at] = f64::NAN;
                }
                self.state.gap -= 1;
                self.state.frame += 1;
                at += 1;
                continue;
            }
            if let Some(values) = self.state.held.take() {
                for (channel, value) in values.iter().enumerate() {
                    out[channel * stride + at] = *value;
                }
                self.state.frame += 1;
                at += 1;
                continue;
            }
            if self.window.at >= self.window.whole && !self.refill()? {
                self.finish()?;
                break;
            }
            if !self.plan.plain && self.state.is_settled() {
                let (read, missing) = self.fast_rows(out, stride, at)?;
                at += read;
                if missing > 0 {
                    self.hold_back(out, stride, at, missing);
                    continue;
                }
                if at >= stride || self.window.at >= self.window.whole {
                    continue;
                }
            }
            let Some(row) = self.slow_row(out, stride, at)? else {
                continue;
            };
            self.window.at += row.bytes;
            let line = self.state.line;
            self.state.line += 1;
            if let Some(odd) = self.state.odd.take() {
                return Err(odd);
            }
            if self.state.done {
                self.finish()?;
                break;
            }
            let mut missing = 0;
            if let Some(tracker) = &mut self.state.tracker {
                if let Some((stamp, rounding)) = row.time {
                    missing = tracker.accept(self.state.frame, stamp, rounding, line)?;
                    if missing > 0 {
                        tracker.accept(self.state.frame + missing, stamp, rounding, line)?;
                    }
                }
            } else if self.state.blank_rows > 0 {
                missing = self.state.blank_rows;
                for count in &mut self.state.missing {
                    if count.0 == 0 {
                        count.1 = line - 1;
                    }
                    count.0 += missing;
                }
            }
            self.state.blank_rows = 0;
            if missing > 0 {
                self.hold_back(out, stride, at, missing);
            } else {
                self.state.frame += 1;
                at += 1;
            }
        }
        Ok(at)
    }

    /// Keeps a row until the frames missing before it have been given.
    fn hold_back(&mut self, out: &[f64], stride: usize, at: usize, missing: u64) {
        let channels = self.header.channels.len();
        self.state.held = Some((0..channels).map(|c| out[c * stride + at]).collect());
        self.state.gap = missing;
    }

    /// Reads plain rows as long as they come; gives their number, and the frames that are missing
    /// before the row that was read last.
    fn fast_rows(
        &mut self,
        out: &mut [f64],
        stride: usize,
        from: usize,
    ) -> Result<(usize, u64), Error> {
        match self.plan.dialect.delimiter {
            Delimiter::Byte(delimiter) => {
                self.rows_parted_by::<false>(delimiter, out, stride, from)
            }
            Delimiter::Blanks => self.rows_parted_by::<true>(b' ', out, stride, from),
        }
    }

    fn rows_parted_by<const BLANKS: bool>(
        &mut self,
        delimiter: u8,
        out: &mut [f64],
        stride: usize,
        from: usize,
    ) -> Result<(usize, u64), Error> {
        let factor = match self.plan.time {
            Some(TimeCells::Number { factor, .. }) => factor,
            _ => 1.0,
        };
        let state = &mut self.state;
        let mut tracker = state.tracker.take();
        let (mut line, mut frame, mut place) = (state.line, state.frame, self.window.at);
        let mut outcome = Ok(0);
        let mut at = from;
        while at < stride {
            let text = &self.window.bytes[place..self.window.whole];
            let Some((stamp, bytes)) =
                fast_row::<BLANKS>(&self.plan, delimiter, text, out, stride, at)
            else {
                break;
            };
            place += bytes;
            line += 1;
            if let (Some(number), Some(tracker)) = (stamp, &mut tracker) {
                let (seconds, rounding) = stamp_of(state, number, factor);
                outcome = tracker.accept(frame, seconds, rounding, line - 1);
                if !matches!(outcome, Ok(0)) {
                    if let Ok(missing) = outcome {
                        outcome = tracker
                            .accept(frame + missing, seconds, rounding, line - 1)
                            .map(|_| missing);
                    }
                    break;
                }
            }
            frame += 1;
            at += 1;
        }
        self.window.at = place;
        self.state.line = line;
        self.state.frame = frame;
        self.state.tracker = tracker;
        outcome.map(|missing| (at - from, missing))
    }

    /// Reads the line at hand in full generality; `None` where it is no row.
    #[cold]
    fn slow_row(
        &mut self,
        out: &mut [f64],
        stride: usize,
        at: usize,
    ) -> Result<Option<Row>, Error> {
        let text = &self.window.bytes[self.window.at..self.window.whole];
        let length = memchr::memchr(self.plan.terminator, text).map_or(text.len(), |end| end + 1);
        let raw = &text[..length];
        let last = self.window.at_end && self.window.at + length == self.window.whole;
        let line = decode(raw);
        let line = line.trim_end_matches(['\r', '\n']);
        let bytes = length;
        let number = self.state.line;
        let skip = |source: &mut State, window: &mut Window| {
            window.at += bytes;
            source.line += 1;
        };
        let trimmed = line.trim();
        if trimmed.is_empty() {
            if self.plan.blank_is_missing && !line.contains('\u{1a}') {
                self.state.blank_rows += 1;
            }
            skip(&mut self.state, &mut self.window);
            return Ok(None);
        }
        if trimmed.starts_with(['#', '%']) && !self.plan.takes(&trimmed[..1]) {
            skip(&mut self.state, &mut self.window);
            return Ok(None);
        }
        let mut cells: Vec<Cow<'_, str>> = Vec::new();
        self.plan.dialect.split(line, &mut cells);
        if let Some((column, label)) = &self.plan.label
            && cells.get(*column).is_some_and(|cell| {
                cell::bare(cell) != label && cells.len() >= self.plan.columns.len()
            })
        {
            skip(&mut self.state, &mut self.window);
            return Ok(None);
        }
        let outcome = general_row(&self.plan, &mut self.state, &cells, number, out, stride, at);
        match outcome {
            Outcome::Frame(time) => Ok(Some(Row { time, bytes })),
            Outcome::Blank => {
                self.state.blank_rows += 1;
                skip(&mut self.state, &mut self.window);
                Ok(None)
            }
            Outcome::End => {
                self.state.done = true;
                Ok(Some(Row { time: None, bytes }))
            }
            Outcome::Bad(_) | Outcome::Odd(_)
                if last
                    && self.window.unterminated
                    && trimmed
                        .starts_with(|c: char| c.is_ascii_digit() || "+-.,;\"".contains(c)) =>
            {
                self.state.cut = Some(number);
                skip(&mut self.state, &mut self.window);
                Ok(None)
            }
            Outcome::Bad(error) => Err(error),
            Outcome::Odd(error) => {
                self.state.odd.get_or_insert(error);
                skip(&mut self.state, &mut self.window);
                Ok(None)
            }
        }
    }

    /// At the end: the refined time base and what was noticed.
    fn finish(&mut self) -> Result<(), Error> {
        self.state.done = true;
        let frames = self.state.frame;
        if frames == 0 {
            return Err(Error::new(
                ErrorKind::NoSamples,
                "the file holds no row of samples",
            ));
        }
        self.header.frames = Some(frames);
        self.found.clear();
        let grid = match (&self.state.tracker, self.plan.grid) {
            (Some(tracker), _) if frames > 1 => Some(tracker.refined()),
            (_, grid) => grid,
        };
        let (time_base, warnings) = time_base::decide(self.plan.statements, grid)?;
        self.header.time_base = time_base;
        self.found.extend(warnings);
        let tell = |found: &mut Vec<Warning>, code, message: String| {
            found.push(Warning::new(code, message));
        };
        if let Some(tracker) = &self.state.tracker {
            if let Some((share, line)) = tracker.told_unevenness() {
                tell(
                    &mut self.found,
                    WarningCode::UnevenSampling,
                    format!(
                        "stamps lie up to {} of a sample interval off the even grid (most in line {line}); high frequencies are blurred: use a hardware-timed capture",
                        short(share)
                    ),
                );
            }
            if let Some((missing, gaps, line)) = tracker.gaps() {
                tell(
                    &mut self.found,
                    WarningCode::MissingSamples,
                    format!(
                        "{missing} of {frames} frames are missing in {gaps} gap{} of the time column (first before line {line})",
                        if gaps == 1 { "" } else { "s" }
                    ),
                );
            }
        }
        for (channel, (count, line)) in self.header.channels.iter().zip(&self.state.missing) {
            if *count > 0 {
                tell(
                    &mut self.found,
                    WarningCode::MissingSamples,
                    format!(
                        "{count} of {frames} samples of channel '{}' are missing (first in line {line})",
                        channel.name
                    ),
                );
            }
        }
        if let Some(line) = self.state.cut {
            tell(
                &mut self.found,
                WarningCode::MissingSamples,
                format!(
                    "the file ends in the middle of line {line}; that row is left out: export the capture again"
                ),
            );
        }
        match self.plan.stated_frames {
            Some(stated) if stated > frames => tell(
                &mut self.found,
                WarningCode::MissingSamples,
                format!(
                    "the preamble promises {stated} points, the file holds {frames}: export the capture again"
                ),
            ),
            Some(stated) if stated < frames => tell(
                &mut self.found,
                WarningCode::RangeMismatch,
                format!(
                    "the preamble promises {stated} points, the file holds {frames}; all of them are used"
                ),
            ),
            _ => {}
        }
        Ok(())
    }
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
        let enough = block.nrows() >= self.header.channels.len();
        let result = match block.as_slice_mut() {
            Some(out) if enough => self.fill_block(out, stride),
            _ => Err(Error::new(
                ErrorKind::BadOption,
                "the block must have a row for every channel, in standard layout",
            )),
        };
        result.map_err(|error| {
            let error = error.in_file(&self.path);
            self.state.failed = Some(error.clone());
            error
        })
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.start();
        Ok(())
    }

    fn warnings(&self) -> Vec<Warning> {
        self.known.iter().chain(&self.found).cloned().collect()
    }
}

impl Plan {
    /// Whether a mark can open a row of this table.
    fn takes(&self, mark: &str) -> bool {
        self.dialect.delimiter == Delimiter::Byte(mark.as_bytes()[0])
    }
}

/// Reads a row of plain numbers straight from the bytes: its stamp and its length; `None` where
/// anything else is in it.
#[inline(always)]
fn fast_row<const BLANKS: bool>(
    plan: &Plan,
    delimiter: u8,
    text: &[u8],
    out: &mut [f64],
    stride: usize,
    frame: usize,
) -> Option<(Option<Decimal>, usize)> {
    let mark = plan.dialect.decimal_mark;
    let terminator = plan.terminator;
    let mut at = 0;
    let mut time = None;
    let last = plan.columns.len() - 1;
    for (index, column) in plan.columns.iter().enumerate() {
        while text.get(at) == Some(&b' ') {
            at += 1;
        }
        match *column {
            Use::Skip => {
                at += text[at..].iter().position(|b| {
                    (if BLANKS {
                        matches!(b, b' ' | b'\t')
                    } else {
                        *b == delimiter
                    }) || *b == terminator
                        || *b == b'"'
                })?;
                if text[at] == b'"' || text[at] == terminator && index != last {
                    return None;
                }
            }
            Use::Time => {
                let number = read_decimal(&text[at..], mark)?;
                at += number.length;
                if number.value.abs() >= OVERLOAD_FROM {
                    return None;
                }
                time = Some(number);
            }
            Use::Value {
                channel,
                reference,
                factor,
                offset,
            } => {
                let number = read_decimal(&text[at..], mark)?;
                at += number.length;
                if number.value.abs() >= OVERLOAD_FROM {
                    return None;
                }
                *out.get_mut(channel * stride + frame)? =
                    (number.value - reference) * factor + offset;
            }
        }
        if !BLANKS && index != last && text.get(at) == Some(&delimiter) {
            at += 1;
            continue;
        }
        let before = at;
        while text.get(at) == Some(&b' ') {
            at += 1;
        }
        if index != last {
            if BLANKS {
                while let Some(b' ' | b'\t') = text.get(at) {
                    at += 1;
                }
                if at == before {
                    return None;
                }
            } else {
                if text.get(at) != Some(&delimiter) {
                    return None;
                }
                at += 1;
            }
        }
    }
    if text.get(at) == Some(&b'\r') && terminator == b'\n' {
        at += 1;
    }
    (text.get(at) == Some(&terminator)).then_some((time, at + 1))
}

/// Seconds after the first stamp, and the stamp's rounding beyond that of the first rows.
#[inline]
fn stamp_of(state: &mut State, number: Decimal, factor: f64) -> (f64, f64) {
    let Some(first) = state.first_stamp else {
        state.first_stamp = Some(number);
        state.widest_mantissa = number.width();
        return (0.0, 0.0);
    };
    state.widest_mantissa = state.widest_mantissa.max(number.width());
    if number.is_aligned(first) {
        // The last bit of the quotient does not matter here, the time of a division does.
        let difference = number.mantissa.wrapping_sub(first.mantissa) as f64;
        (difference * (power_of_ten(number.exponent) * factor), 0.0)
    } else {
        unaligned_stamp(first, number, state.widest_mantissa, factor)
    }
}

/// A stamp written with another number of decimals than the first.
#[inline(never)]
fn unaligned_stamp(first: Decimal, number: Decimal, widest: u64, factor: f64) -> (f64, f64) {
    (
        number.after(first) * factor,
        rounding_of(number, widest) * factor,
    )
}

/// What the last digit of a number stands for, in a column whose longest number has the digits of
/// `widest_mantissa`: trailing zeros may have been left away.
pub(super) fn rounding_of(number: Decimal, widest_mantissa: u64) -> f64 {
    if number.value == 0.0 {
        return 0.0;
    }
    let digits = if widest_mantissa == 0 {
        17
    } else {
        i32::try_from(widest_mantissa.ilog10()).unwrap_or(17) + 1
    };
    let magnitude = number.value.abs().log10().floor();
    power_of_ten((magnitude as i32).saturating_add(1 - digits)).max(number.value.abs() * 4.5e-16)
}

/// What a line turned out to be.
enum Outcome {
    /// A row, with its time.
    Frame(Option<(f64, f64)>),
    /// Delimiters only.
    Blank,
    /// The end of a group of columns that is shorter than its neighbours.
    End,
    /// A row with a fault in it.
    Bad(Error),
    /// No row: a remark, if no row follows.
    Odd(Error),
}

/// Reads a row from its cells.
fn general_row(
    plan: &Plan,
    state: &mut State,
    cells: &[Cow<'_, str>],
    line: u64,
    out: &mut [f64],
    stride: usize,
    frame: usize,
) -> Outcome {
    let count = filled(cells);
    if count == 0 {
        return Outcome::Blank;
    }
    let mark = plan.dialect.decimal_mark;
    let bad = |column: usize, message: String| {
        Error::new(ErrorKind::BadValue, message)
            .at_line(line)
            .at_column(column as u64 + 1)
    };
    let kinds: Vec<Option<Cell>> = plan
        .columns
        .iter()
        .enumerate()
        .map(|(index, column)| {
            (*column != Use::Skip)
                .then(|| cells.get(index).map(|cell| cell::classify(cell, mark)))
                .flatten()
        })
        .collect();
    let read: Vec<usize> = (0..plan.columns.len())
        .filter(|index| plan.columns[*index] != Use::Skip)
        .collect();
    let text_at = read
        .iter()
        .copied()
        .find(|index| kinds[*index] == Some(Cell::Text));
    let first = read.first().copied().unwrap_or(0);
    if let Some(column) = text_at {
        let error = bad(
            column,
            format!(
                "found '{}' where a number should stand; mend the cell or leave it blank",
                super::dialect::clip(cells[column].trim(), 40)
            ),
        );
        let lone = read.len() == 1;
        return if column == first
            && (lone
                || read
                    .iter()
                    .skip(1)
                    .any(|i| !matches!(kinds[*i], Some(Cell::Number(_))))
                || plan.time.is_some())
        {
            Outcome::Odd(error)
        } else {
            Outcome::Bad(error)
        };
    }
    if cells.len() < plan.columns.len() {
        let error = bad(
            cells.len(),
            format!(
                "the row has {} cells where {} are wanted; mend the row or delete it",
                cells.len(),
                plan.columns.len()
            ),
        );
        let number = kinds
            .first()
            .and_then(Option::as_ref)
            .is_some_and(Cell::is_datum);
        return if cells.len() == 1 && plan.columns.len() > 1 && !number {
            Outcome::Odd(error)
        } else {
            Outcome::Bad(error)
        };
    }
    if count > plan.columns.len() && plan.columns.len() > 1 {
        let extra = &cells[plan.columns.len()..count];
        if extra
            .iter()
            .any(|cell| cell::classify(cell, mark).is_datum())
        {
            return Outcome::Bad(bad(
                plan.columns.len(),
                format!(
                    "the row has {count} cells where {} are wanted; mend the row or delete it",
                    plan.columns.len()
                ),
            ));
        }
    }
    if read
        .iter()
        .all(|index| kinds[*index] == Some(Cell::Missing))
        && plan.time.is_none()
    {
        for count in &mut state.missing {
            note_missing(count, line);
        }
        fill_missing(plan, out, stride, frame);
        return Outcome::Frame(None);
    }
    let time = match time_of(plan, state, &kinds) {
        Ok(time) => time,
        Err(column) if kinds[column] == Some(Cell::Missing) || kinds[column].is_none() => {
            let values_blank = read
                .iter()
                .filter(|i| matches!(plan.columns[**i], Use::Value { .. }))
                .all(|i| kinds[*i] == Some(Cell::Missing));
            if values_blank {
                return if plan.may_end_early {
                    Outcome::End
                } else {
                    Outcome::Blank
                };
            }
            None
        }
        Err(column) => {
            return Outcome::Bad(bad(
                column,
                format!(
                    "found '{}' where a time should stand; mend the cell",
                    super::dialect::clip(cells[column].trim(), 40)
                ),
            ));
        }
    };
    for (index, column) in plan.columns.iter().enumerate() {
        let Use::Value {
            channel,
            reference,
            factor,
            offset,
        } = *column
        else {
            continue;
        };
        let value = match &kinds[index] {
            Some(Cell::Number(number)) => (number.value - reference) * factor + offset,
            Some(Cell::Quantity(number, text)) => {
                number.value * unit::value_unit(text).map_or(factor, |unit| unit.factor * factor)
                    + offset
            }
            Some(Cell::Overload(sign)) => sign * factor.signum() * f64::INFINITY,
            Some(Cell::Missing) | None => {
                if let Some(count) = state.missing.get_mut(channel) {
                    note_missing(count, line);
                }
                f64::NAN
            }
            Some(_) => {
                return Outcome::Bad(bad(
                    index,
                    format!(
                        "found '{}' where a number should stand; mend the cell or leave it blank",
                        super::dialect::clip(cells[index].trim(), 40)
                    ),
                ));
            }
        };
        if let Some(place) = out.get_mut(channel * stride + frame) {
            *place = value;
        }
    }
    Outcome::Frame(time)
}

fn note_missing(count: &mut (u64, u64), line: u64) {
    if count.0 == 0 {
        count.1 = line;
    }
    count.0 += 1;
}

fn fill_missing(plan: &Plan, out: &mut [f64], stride: usize, frame: usize) {
    for column in &plan.columns {
        if let Use::Value { channel, .. } = *column
            && let Some(place) = out.get_mut(channel * stride + frame)
        {
            *place = f64::NAN;
        }
    }
}

/// The time of a row relative to the first; the column at fault where there is none.
fn time_of(
    plan: &Plan,
    state: &mut State,
    kinds: &[Option<Cell>],
) -> Result<Option<(f64, f64)>, usize> {
    let kind = |column: usize| kinds.get(column).and_then(Option::as_ref);
    match plan.time {
        None => Ok(None),
        Some(TimeCells::Number { column, factor }) => match kind(column) {
            Some(Cell::Number(number)) => Ok(Some(stamp_of(state, *number, factor))),
            Some(Cell::Quantity(number, text)) => {
                let factor = unit::time_unit(text).unwrap_or(factor);
                Ok(Some(stamp_of(state, *number, factor)))
            }
            _ => Err(column),
        },
        Some(TimeCells::Moment {
            clock,
            date,
            milliseconds,
        }) => {
            let mut moment = match kind(clock) {
                Some(Cell::Clock(moment) | Cell::Stamp(moment)) => *moment,
                _ => return Err(clock),
            };
            if let Some(date) = date {
                match kind(date) {
                    Some(Cell::Date(day)) => moment.day = Some(*day),
                    _ => return Err(date),
                }
            }
            if let Some(column) = milliseconds {
                match kind(column) {
                    Some(Cell::Number(number)) => moment.fraction += number.value * 1e-3,
                    _ => return Err(column),
                }
            }
            let Some(first) = state.first_moment else {
                state.first_moment = Some(moment);
                return Ok(Some((0.0, 0.0)));
            };
            Ok(Some((
                seconds_after(first, moment, &mut state.wraps, &mut state.last_moment_s),
                0.0,
            )))
        }
    }
}

/// Seconds from the first moment to another; a clock without a date that falls back by more than
/// half a day has passed midnight.
pub(super) fn seconds_after(first: Moment, moment: Moment, wraps: &mut f64, last: &mut f64) -> f64 {
    const DAY_S: f64 = 86_400.0;
    let seconds = moment.seconds_after(first);
    match (first.day, moment.day) {
        (Some(from), Some(to)) => (to.saturating_sub(from)) as f64 * DAY_S + seconds,
        _ => {
            if seconds + *wraps < *last - DAY_S / 2.0 {
                *wraps += DAY_S;
            }
            *last = seconds + *wraps;
            *last
        }
    }
}

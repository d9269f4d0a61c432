//! How the rows of a record are read: what each column is for, and where the time stands.

use crate::load::text::dialect::{Delimiter, Dialect};
use crate::load::time::cells::TimeCells;
use crate::load::time::grid::Grid;
use crate::load::time::rate::StatedRates;

/// What a column is read for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Use {
    /// Not read.
    Skip,
    /// Part of the time base.
    Time,
    /// The samples of a channel.
    Value(Signal),
}

/// A channel's samples: `(cell - reference) * factor + offset`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Signal {
    /// 0-based channel.
    pub channel: usize,
    /// Counts taken off first.
    pub reference: f64,
    /// Multiplies what is left.
    pub factor: f64,
    /// Added last, in units of the channel.
    pub offset: f64,
}

impl Signal {
    /// The sample of a cell.
    #[inline(always)]
    pub fn of(&self, cell: f64) -> f64 {
        (cell - self.reference) * self.factor + self.offset
    }
}

/// How the rows of one record are read.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub dialect: Dialect,
    /// Byte that ends a line.
    pub terminator: u8,
    /// Byte at which the first row starts, and its 1-based line.
    pub offset: u64,
    pub line: u64,
    /// Byte at which the record ends, where it is not the file's end.
    pub end: Option<u64>,
    /// The file was too long to be searched for further records.
    pub unsearched: bool,
    /// What each column is read for.
    pub columns: Vec<Use>,
    pub time: Option<TimeCells>,
    /// Step and resolution as the first rows give them; `None` without a time column to be checked.
    pub grid: Option<Grid>,
    pub stated_rates: StatedRates,
    /// Frames that the preamble promises.
    pub stated_frames: Option<u64>,
    /// Channels end where their time column goes blank (groups of columns of unequal length).
    pub may_end_early: bool,
    /// A line without any cell is a missing sample (tables of one column).
    pub blank_is_missing: bool,
    /// The line of the names, which may come again between the rows.
    pub header: Option<String>,
    /// Only rows with this text in this column belong to the capture.
    pub label: Option<(usize, String)>,
    /// Leave the fast path unused; for tests that compare the two.
    pub plain: bool,
}

impl Plan {
    /// Seconds per unit of the time column.
    pub fn factor(&self) -> Option<f64> {
        match self.time {
            Some(TimeCells::Number { factor, .. }) => Some(factor),
            _ => None,
        }
    }

    /// The number of the first time cell, where the times are numbers that open the rows.
    pub fn first_number(&self) -> Option<f64> {
        match self.time {
            Some(TimeCells::Number { column: 0, factor }) => {
                Some(self.stated_rates.start_s / factor)
            }
            _ => None,
        }
    }

    /// Whether a mark can open a row of this table.
    pub fn takes(&self, mark: &str) -> bool {
        self.dialect.delimiter == Delimiter::Byte(mark.as_bytes()[0])
    }
}

//! Where the time of a row stands.

/// Where the time of a row stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum TimeCells {
    /// A number, times a factor to seconds.
    Number {
        /// Its column.
        column: usize,
        /// Seconds per unit.
        factor: f64,
    },
    /// Clock times, dates or stamps.
    Moment(MomentCells),
}

/// Where the parts of a moment stand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MomentCells {
    /// Column of a clock time or a stamp.
    pub clock: usize,
    /// Column of a date of its own.
    pub date: Option<usize>,
    /// Column of milliseconds of their own.
    pub milliseconds: Option<usize>,
}

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
    Moment {
        /// Column of a clock time or a stamp.
        clock: usize,
        /// Column of a date of its own.
        date: Option<usize>,
        /// Column of milliseconds of their own.
        milliseconds: Option<usize>,
    },
}

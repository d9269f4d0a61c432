//! A fitted record.

use crate::analysis::record::Stream;
use crate::analysis::stream::RecordFit;

/// A record as one stream, or the stretches of a long one joined.
pub(crate) struct FittedRecord {
    /// The samples, where they were kept, with rate and band.
    pub(crate) stream: Stream,
    pub(crate) fit: RecordFit,
    /// Mean that was taken off.
    pub(crate) mean: f64,
    /// Of joined stretches.
    pub(crate) faint: Option<Faint>,
}

/// Lines that stand in the whole record's residual and in no stretch's.
pub(crate) struct Faint {
    pub(crate) hz: Vec<f64>,
    /// The residual's density that they stand in.
    pub(crate) density: Vec<f64>,
}

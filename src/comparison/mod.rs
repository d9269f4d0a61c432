//! Comparison: what the loop adds to the floor and what the remedy takes away.
//!
//! Like is compared with like: each figure is read from the captures that can speak of it, in a band
//! and with harmonics common to all. Several captures of a condition carry their spread as the
//! uncertainty; a single one only its own scatter, and the result says so. Ratios near the floor come
//! from the whole confidence distributions of both readings, so that no more is claimed than the floor
//! supports, and verdicts hold for the table as a whole.

mod acceptance;
mod captures;
mod cause;
mod change;
mod compare;
mod figure;
mod ground;
mod options;
mod result;
mod selection;
mod sentences;
mod table;

pub use crate::limit::{Acceptance, Bounded, Judgement, Limit};
pub(crate) use captures::measure_alike;
pub use captures::{CaptureSource, ComparedCaptures, compare_captures};
pub use change::{Change, NotCompared};
pub use compare::compare;
pub use ground::CommonGround;
pub use options::{CompareOptions, InstrumentLimits, WantedSignal};
pub use result::{
    Basis, CaptureCounts, ComparedLine, ComparedQuantity, Comparison, DecibelRatio,
    ExpandedUncertainties, ExpandedUncertainty, LeftOut, Repeats, SignalErrors, SignalOutlook,
    Verdict,
};
pub(crate) use result::{collisions, tenths};

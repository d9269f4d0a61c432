//! What a comparison finds.

mod compared;
mod comparison;
mod outlook;
mod ratio;
mod repeats;

pub use compared::{
    Basis, ComparedLine, ComparedQuantity, ExpandedUncertainties, ExpandedUncertainty, Verdict,
};
pub use comparison::{CaptureCounts, Comparison, LeftOut};
pub use outlook::{SignalErrors, SignalOutlook, collisions};
pub use ratio::{DecibelRatio, tenths};
pub use repeats::Repeats;

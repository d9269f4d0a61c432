//! Captures: channels of evenly spaced samples and how they were acquired.
//!
//! A frame is one instant of all channels, a sample one value of it. Blocks and arrays hold one row a channel and one column
//! a frame.
//!
//! Two values of a sample have a meaning of their own throughout the library: NaN is a missing
//! sample, plus or minus infinity is one beyond the instrument's range (overload).

mod acquisition;
mod condition;
mod first_frames;
mod header;
mod memory;
mod samples;
mod sink;
#[cfg(feature = "session")]
mod snippet;
mod source;

pub use acquisition::{Acquisition, Coupling};
pub use condition::Condition;
pub(crate) use first_frames::{FirstFrames, Watched};
pub use header::{CaptureHeader, Channel, RateOrigin, TimeBase};
pub(crate) use header::{SAMPLE_RATE_LIMITS_HZ, twins_numbered};
pub use memory::{Capture, MemorySource};
pub use samples::SampleSource;
pub use sink::{FrameSink, MemorySink};
#[cfg(feature = "session")]
pub(crate) use snippet::Snippet;
pub use source::FrameSource;
pub(crate) use source::{other_record, read_frames, slice_of};

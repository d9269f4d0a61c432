//! The analysis of one channel's stream: series, tones and noise.

mod acquisition;
mod bounded;
mod density;
mod doubted;
mod least_squares;
mod moving;
mod noise;
mod part;
mod quiet;
mod segmented;
mod start;
mod stream_fit;
mod tone_fit;
mod whole;

pub(crate) use bounded::{fits_clipped, is_coarse};
pub(crate) use density::density;
pub(crate) use noise::{floor, noise_variances, removed_lines, tone_noise};
pub(crate) use part::fit_stream;
pub(crate) use segmented::{Frame, Segmented};
pub(crate) use stream_fit::{
    HumCourse, Known, KnownTone, OtherContent, RecordFit, StreamFit, ToneFit, lines_hz,
};

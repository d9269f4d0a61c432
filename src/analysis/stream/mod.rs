//! The analysis of one channel's stream of samples.

mod acquisition;
mod aliased_mains;
mod channel;
mod follow;
mod moving;
mod part;
mod stream_noise;
mod tone_fit;

pub(crate) use aliased_mains::AliasedMains;
pub(crate) use channel::{
    GRID_RANGE, Known, ONE_SEGMENT_S, OtherContent, Stream, StreamFit, ToneFit, Work, details,
    fit_stream, lines_hz, mean_fundamental,
};
pub(crate) use follow::Followed;
pub(crate) use tone_fit::KnownTone;

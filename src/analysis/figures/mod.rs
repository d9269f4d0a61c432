//! From the fits to the reported figures.

mod assemble;
mod below_one_cycle;
mod cause;
mod constant;
mod facts;
mod floors;
mod mains;
mod noise;
mod offset;
mod quality;
mod rounding;
mod tones;

pub(crate) use assemble::assemble;
pub(crate) use constant::constant;
pub(crate) use facts::ChannelFacts;

//! Statistics: estimates with intervals, quantiles, amplitudes near the floor, ratios of powers.

mod estimate;

pub use estimate::Estimate;

//! The statistics against what others published; the data lie in `tests/data/reference`.
#![allow(clippy::unwrap_used, clippy::panic)]

mod gum;
mod noise_power;
mod quantiles;
mod univariate;

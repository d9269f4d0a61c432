//! The fit of a mains series to one channel.

mod continuation;
mod course;
mod fitted;
mod lines;
mod low_rate;
mod model;
mod other_tones;
mod reduced;
mod residual_check;
mod series;
mod settings;
mod short;
mod tracked;
#[cfg(test)]
mod trials;

pub(super) use continuation::{Lead, go_on};
pub(super) use course::Course;
pub(super) use fitted::{Fit, Spent};
pub(super) use model::{HumModel, play, whole_sums};
pub(super) use residual_check::{Rest, Seen, standing_out};
pub(super) use series::fit_record;
pub(super) use settings::FitSettings;
pub(super) use tracked::{Fitter, Manner, Smoothing, best_of_both, far_samples};

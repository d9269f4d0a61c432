//! Statistics: what an [`Estimate`] is, its interval for an RMS of noise ([`chi_square_scale_interval`]) and for the RMS of
//! a line near the noise ([`line_rms`]).

mod confidence;
mod descriptive;
mod estimate;
mod excess;
mod line_power;
mod monotone_cubic;
mod near_floor;
#[cfg(test)]
mod published;
mod quantile;
mod robust;
mod scale;
mod student_curve;
mod two_quantities;
mod uncertainty;

pub(crate) use confidence::ConfidenceDistribution;
pub(crate) use descriptive::{mean, standard_deviation};
pub(crate) use descriptive::{median, rms_about_mean, span};
pub use estimate::Estimate;
pub(crate) use estimate::coverage_factor;
pub(crate) use excess::excess_ratio_quantiles;
pub use line_power::LinePower;
pub use near_floor::line_rms;
pub(crate) use quantile::normal_pdf;
pub(crate) use quantile::{
    chi_square_cdf, chi_square_quantile, chi_square_ratio_quantile, f_cdf, f_quantile, normal_cdf,
    normal_quantile, student_cdf, student_quantile,
};
pub(crate) use robust::{normal_scale, normal_variance, power_of_median, usual_power};
pub use scale::chi_square_scale_interval;
pub(crate) use uncertainty::{combined_uncertainty, rectangular, welch_satterthwaite};

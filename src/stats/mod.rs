//! Statistics: estimates with intervals, quantiles, amplitudes near the floor, ratios of powers.

mod confidence;
mod descriptive;
mod estimate;
mod excess;
mod line_power;
mod monotone_cubic;
mod near_floor;
mod quantile;
mod robust;
mod scale;
mod student_curve;
mod two_quantities;
mod uncertainty;

pub use confidence::ConfidenceDistribution;
pub use descriptive::{mean, standard_deviation};
pub(crate) use descriptive::{median, span};
pub use estimate::{Estimate, coverage_factor};
pub use excess::excess_ratio_quantiles;
pub use line_power::LinePower;
pub use near_floor::line_rms;
pub(crate) use quantile::normal_pdf;
pub use quantile::{
    chi_square_cdf, chi_square_quantile, chi_square_ratio_quantile, f_cdf, f_quantile, normal_cdf,
    normal_quantile, student_cdf, student_quantile,
};
pub(crate) use robust::{normal_scale, normal_variance, usual_power};
pub use scale::chi_square_scale_interval;
pub use uncertainty::{combined_uncertainty, rectangular, welch_satterthwaite};

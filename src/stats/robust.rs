//! Scales by medians, to which a few large values mean nothing.

use super::median;
use std::f64::consts::LN_2;

/// Median of the size of a standard normal variable, and of its square.
const NORMAL_SIZE: f64 = 0.6745;
const NORMAL_SQUARE: f64 = 0.455;

/// Standard deviation of a normal variable from sizes |x|, whose order is lost.
pub(crate) fn normal_scale(sizes: &mut [f64]) -> f64 {
    median(sizes) / NORMAL_SIZE
}

/// Variance of a normal variable from squares x², whose order is lost.
pub(crate) fn normal_variance(squares: &mut [f64]) -> f64 {
    median(squares) / NORMAL_SQUARE
}

/// Mean of an exponential variable (the power of a complex normal one), whose values' order is lost.
pub(crate) fn usual_power(powers: &mut [f64]) -> f64 {
    power_of_median(median(powers))
}

/// The same from the median.
pub(crate) fn power_of_median(median: f64) -> f64 {
    median / LN_2
}

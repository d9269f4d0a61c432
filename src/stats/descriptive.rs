//! Mean, standard deviation and median.

/// Arithmetic mean, with the rounding error of the first pass taken out by a second; NaN of nothing.
#[must_use]
pub fn mean(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let first = values.iter().sum::<f64>() / count;
    first + values.iter().map(|v| v - first).sum::<f64>() / count
}

/// Standard deviation with n - 1 in the divisor; NaN of fewer than two values.
///
/// Two passes with the mean's rounding error corrected (T. F. Chan, G. H. Golub, R. J. LeVeque, The
/// American Statistician 37(3), 1983): the textbook one-pass formula loses every digit on a small
/// spread about a large mean.
#[must_use]
pub fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return f64::NAN;
    }
    let count = values.len() as f64;
    let centre = mean(values);
    let (squares, sum) = values
        .iter()
        .map(|v| v - centre)
        .fold((0.0, 0.0), |(squares, sum), d| (squares + d * d, sum + d));
    ((squares - sum * sum / count) / (count - 1.0)).sqrt()
}

/// Root mean square about the mean; 0 of nothing.
pub(crate) fn rms_about_mean(values: &[f64]) -> f64 {
    let count = values.len().max(1) as f64;
    let centre = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    (squares / count).sqrt()
}

/// Largest less smallest value; minus infinity without any.
pub(crate) fn span(values: &[f64]) -> f64 {
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Middle value, the upper of two; 0 without any. The order of the values is lost.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

//! How much one prediction leaves against another, and how much could be taken out.

use crate::stats::normal_scale;

/// Mean square.
pub(crate) fn power(x: &[f64]) -> f64 {
    x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64
}

/// `x` less `y`.
pub(crate) fn less(x: &[f64], y: &[f64]) -> Vec<f64> {
    x.iter().zip(y).map(|(a, b)| a - b).collect()
}

/// Whether `new` leaves less of `x` than `old`, by more than chance does and apart from what stands out.
pub(crate) fn is_nearer(x: &[f64], new: &[f64], old: &[f64]) -> bool {
    const CLEARLY: f64 = 4.0;
    const FAR: f64 = 5.0;
    let sums: Vec<f64> = x
        .iter()
        .zip(new)
        .zip(old)
        .map(|((x, a), b)| 2.0 * x - a - b)
        .collect();
    let mut sizes: Vec<f64> = sums.iter().map(|s| s.abs()).collect();
    let limit = FAR * normal_scale(&mut sizes);
    if !limit.is_finite() {
        return false;
    }
    let (mut gained, mut scatter) = (0.0, 0.0);
    for ((sum, a), b) in sums.iter().zip(new).zip(old) {
        let term = sum.clamp(-limit, limit) * (a - b);
        gained += term;
        scatter += term * term;
    }
    gained > CLEARLY * scatter.sqrt()
}

/// Best reduction that a coherence allows (Widrow et al. 1975: what is left is 1 - γ²), dB; no less than what was
/// reached, which proves itself.
pub(crate) fn possible(coherence: f64, reached: Option<f64>) -> Option<f64> {
    let bound = (coherence < 1.0).then(|| -10.0 * (1.0 - coherence).log10())?;
    Some(reached.map_or(bound, |reached| bound.max(reached)))
}

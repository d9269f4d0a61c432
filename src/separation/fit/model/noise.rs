//! Noise beside an order, from the scatter of its phasors.

use crate::stats::median;
use rustfft::num_complex::Complex64;

/// Groups of intervals that give the noise beside a line.
const GROUPS: usize = 32;
/// Groups below which the noise of an order is pooled with its neighbours'.
const FEW_GROUPS: usize = 16;
/// Independent pairs to a difference of neighbours: two thirds, since each shares its groups with the next (J. von
/// Neumann et al., Ann. Math. Stat. 12, 1941, from memory); and what the median of seven orders adds to them, about.
const PAIRS_A_DIFFERENCE: f64 = 0.66;
const PAIRS_POOLED: f64 = 4.0;

pub(crate) fn total(gram: [f64; 3]) -> f64 {
    gram[0] + 2.0 * gram[1] + gram[2]
}

pub(crate) fn group_bounds(intervals: usize) -> Vec<usize> {
    let groups = (intervals / 2).clamp(1, GROUPS);
    (0..=groups).map(|g| g * intervals / groups).collect()
}

/// Squared differences of neighbouring groups' phasors in units of one sample's noise.
pub(crate) fn differences(groups: &[(Complex64, f64)]) -> Vec<f64> {
    groups
        .windows(2)
        .filter_map(|pair| {
            let ((a, m), (b, n)) = (pair[0], pair[1]);
            (m > 0.0 && n > 0.0).then(|| (a / m - b / n).norm_sqr() / (1.0 / m + 1.0 / n))
        })
        .collect()
}

pub(crate) fn mean_power(powers: &[f64]) -> f64 {
    powers.iter().sum::<f64>() / powers.len().max(1) as f64
}

/// With few groups the noise of an order is scarcely known: takes the neighbours' median.
pub(crate) fn pool(noise: &mut [f64], groups: usize) {
    if groups < FEW_GROUPS && noise.len() > 2 {
        let raw = noise.to_vec();
        for (i, value) in noise.iter_mut().enumerate() {
            let from = i.saturating_sub(3);
            let mut near = raw[from..(i + 4).min(raw.len())].to_vec();
            *value = median(&mut near);
        }
    }
    for value in noise.iter_mut() {
        *value = value.max(1e-300);
    }
}

/// Independent complex pairs that so many groups tell the noise by.
pub(crate) fn pairs(groups: usize) -> f64 {
    let pooled = if groups < FEW_GROUPS {
        PAIRS_POOLED
    } else {
        1.0
    };
    (PAIRS_A_DIFFERENCE * (groups.max(2) - 1) as f64) * pooled
}

/// Independent pairs that tell the mean of these squared differences: no more than `most`, and as many as their scatter shows
/// where some stand out of the rest (of exponential ones the squared sum is half their number times the sum of squares).
pub(crate) fn effective_pairs(differences: &[f64], most: f64) -> f64 {
    let (sum, squares) = differences
        .iter()
        .fold((0.0, 0.0), |(sum, squares), d| (sum + d, squares + d * d));
    if !(squares > 0.0) {
        return most;
    }
    most * (2.0 * sum * sum / (squares * differences.len() as f64)).min(1.0)
}

/// Probability that noise shows an order of at least `ratio` times its own mean power, which `pairs` tell: the tail of an
/// F variable of 2 and twice that many degrees of freedom.
pub(crate) fn chance(ratio: f64, pairs: f64) -> f64 {
    (1.0 + ratio / pairs).powf(-pairs)
}

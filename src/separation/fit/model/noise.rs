//! Noise beside an order, from the scatter of its phasors.

use crate::stats::median;
use rustfft::num_complex::Complex64;

/// Groups of intervals that give the noise beside a line.
const GROUPS: usize = 32;

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

pub(crate) fn mean_power(powers: &mut [f64]) -> f64 {
    powers.iter().sum::<f64>() / powers.len().max(1) as f64
}

/// With few groups the noise of an order is scarcely known: takes the neighbours' median.
pub(crate) fn pool(noise: &mut [f64], groups: usize) {
    if groups < 16 && noise.len() > 2 {
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

//! Phasor sums on the mesh, and the noise beside each order that they show.

use super::model::HumModel;
use crate::numeric::Banded;
use crate::stats::median;
use rustfft::num_complex::Complex64;

/// Groups of intervals that give the noise beside a line.
const GROUPS: usize = 32;

/// Phasor sums of the selected orders on the mesh.
pub(super) struct Sums {
    pub(super) orders: usize,
    pub(super) left: Vec<Complex64>,
    pub(super) right: Vec<Complex64>,
    pub(super) gram: Vec<[f64; 3]>,
    pub(super) noise: Vec<f64>,
    /// Weight of every interval and order; empty where all count in full.
    pub(super) trust: Vec<f32>,
}

impl Sums {
    pub(super) fn gram(&self, interval: usize, o: usize) -> [f64; 3] {
        match self.trust.get(interval * self.orders + o) {
            Some(t) => self.gram[interval].map(|g| g * f64::from(*t)),
            None => self.gram[interval],
        }
    }
}

/// Noise beside each order from differences of neighbouring groups of intervals.
pub(super) fn noise(sums: &Sums, reduce: fn(&mut [f64]) -> f64) -> Vec<f64> {
    let groups = group_bounds(sums.gram.len());
    let mut noise: Vec<f64> = (0..sums.orders)
        .map(|o| {
            let means: Vec<(Complex64, f64)> = groups
                .windows(2)
                .map(|g| {
                    let (mut sum, mut weight) = (Complex64::default(), 0.0);
                    for i in g[0]..g[1] {
                        sum += sums.left[i * sums.orders + o] + sums.right[i * sums.orders + o];
                        weight += total(sums.gram(i, o));
                    }
                    (sum, weight)
                })
                .collect();
            reduce(&mut differences(&means))
        })
        .collect();
    pool(&mut noise, groups.len() - 1);
    noise
}

pub(super) fn gram_of(sums: &Sums, o: usize) -> Banded {
    let mut gram = Banded::zeros(sums.gram.len() + 1);
    for i in 0..sums.gram.len() {
        gram.add_interval(i, sums.gram(i, o), 1.0);
    }
    gram
}

pub(super) fn total(gram: [f64; 3]) -> f64 {
    gram[0] + 2.0 * gram[1] + gram[2]
}

pub(super) fn group_bounds(intervals: usize) -> Vec<usize> {
    let groups = (intervals / 2).clamp(1, GROUPS);
    (0..=groups).map(|g| g * intervals / groups).collect()
}

/// Squared differences of neighbouring groups' phasors in units of one sample's noise.
pub(super) fn differences(groups: &[(Complex64, f64)]) -> Vec<f64> {
    groups
        .windows(2)
        .filter_map(|pair| {
            let ((a, m), (b, n)) = (pair[0], pair[1]);
            (m > 0.0 && n > 0.0).then(|| (a / m - b / n).norm_sqr() / (1.0 / m + 1.0 / n))
        })
        .collect()
}

pub(super) fn mean_power(powers: &mut [f64]) -> f64 {
    powers.iter().sum::<f64>() / powers.len().max(1) as f64
}

/// Mean of an exponential variable by its median, to which a few large values mean nothing.
pub(super) fn usual_power(powers: &mut [f64]) -> f64 {
    median(powers) / std::f64::consts::LN_2
}

/// With few groups the noise of an order is scarcely known: takes the neighbours' median.
pub(super) fn pool(noise: &mut [f64], groups: usize) {
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

/// Sums as they would be had the model not been subtracted.
pub(super) fn whole_sums(model: &HumModel, sums: &Sums) -> (Vec<Complex64>, Vec<Complex64>) {
    let n = sums.orders;
    let (mut left, mut right) = (sums.left.clone(), sums.right.clone());
    for i in 0..model.intervals() {
        for o in 0..n {
            let [aa, ab, bb] = sums.gram(i, o);
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            left[i * n + o] += a * aa + b * ab;
            right[i * n + o] += a * ab + b * bb;
        }
    }
    (left, right)
}

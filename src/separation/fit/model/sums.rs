//! Phasor sums on the mesh, and the noise beside each order that they show.

use super::hum_model::HumModel;
use super::noise::{differences, effective_pairs, group_bounds, mean_power, pairs, pool, total};
use crate::numeric::Banded;
use crate::stats::usual_power;
use rustfft::num_complex::Complex64;

/// Phasor sums of the selected orders on the mesh.
pub(crate) struct Sums {
    pub(crate) orders: usize,
    pub(crate) left: Vec<Complex64>,
    pub(crate) right: Vec<Complex64>,
    pub(crate) gram: Vec<[f64; 3]>,
    pub(crate) noise: Vec<f64>,
    /// Independent pairs that tell each order's noise.
    pub(crate) pairs: Vec<f64>,
    /// The noise that is usual, whatever comes and goes.
    pub(crate) usual: Vec<f64>,
    /// Weight of every interval and order; empty where all count in full.
    pub(crate) trust: Vec<f32>,
}

impl Sums {
    /// None yet, of so many orders and intervals.
    pub(crate) fn empty(orders: usize, intervals: usize) -> Self {
        Self {
            orders,
            left: Vec::with_capacity(orders * intervals),
            right: Vec::with_capacity(orders * intervals),
            gram: Vec::with_capacity(intervals),
            noise: Vec::new(),
            pairs: Vec::new(),
            usual: Vec::new(),
            trust: Vec::new(),
        }
    }

    /// Whether all intervals of an order count in full.
    pub(crate) fn trusts(&self, o: usize) -> bool {
        let mut own = self.trust.iter().skip(o).step_by(self.orders);
        own.all(|t| *t == 1.0)
    }

    pub(crate) fn gram(&self, interval: usize, o: usize) -> [f64; 3] {
        match self.trust.get(interval * self.orders + o) {
            Some(t) => self.gram[interval].map(|g| g * f64::from(*t)),
            None => self.gram[interval],
        }
    }
}

/// Noise beside each order from differences of neighbouring groups of intervals.
pub(crate) struct BesideOrders {
    /// In the mean.
    pub(crate) mean: Vec<f64>,
    /// Independent pairs that tell it.
    pub(crate) pairs: Vec<f64>,
    /// As their median has it.
    pub(crate) usual: Vec<f64>,
}

/// Noise beside each order.
pub(crate) fn noise(sums: &Sums) -> BesideOrders {
    let groups = group_bounds(sums.gram.len());
    let most = pairs(groups.len() - 1);
    let mut found = BesideOrders {
        mean: Vec::with_capacity(sums.orders),
        pairs: Vec::with_capacity(sums.orders),
        usual: Vec::with_capacity(sums.orders),
    };
    for o in 0..sums.orders {
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
        let mut differences = differences(&means);
        found.pairs.push(effective_pairs(&differences, most));
        found.mean.push(mean_power(&differences));
        found.usual.push(usual_power(&mut differences));
    }
    pool(&mut found.mean, groups.len() - 1);
    pool(&mut found.usual, groups.len() - 1);
    found
}

pub(crate) fn gram_of(sums: &Sums, o: usize) -> Banded {
    let mut gram = Banded::zeros(sums.gram.len() + 1);
    for i in 0..sums.gram.len() {
        gram.add_interval(i, sums.gram(i, o), 1.0);
    }
    gram
}

/// Sums as they would be had the model not been subtracted.
pub(crate) fn whole_sums(model: &HumModel, sums: &Sums) -> (Vec<Complex64>, Vec<Complex64>) {
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

//! How each order turns against the series' common phase, over the segments of a record.

use super::guides::Guides;
use super::order_agreement::Stray;
use crate::analysis::series::State;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Fewest orders that can disagree, fewest segments over which a turn shows, and |c|² over its variance from which an order tells it.
const LEAST_ORDERS: usize = 2;
const LEAST_SEGMENTS: usize = 4;
const STANDS: f64 = 20.0;

/// How far the orders that guide are from their places, Hz, by their phases from segment to segment. `states`: the common phase.
pub(super) fn strays_of_segments(guides: &Guides<'_>, states: &[State]) -> Vec<Stray> {
    if guides.orders.len() < LEAST_ORDERS || states.len() < LEAST_SEGMENTS {
        return Vec::new();
    }
    let orders = guides.orders.iter();
    orders.filter_map(|&k| stray(guides, states, k)).collect()
}

fn stray(guides: &Guides<'_>, states: &[State], order: usize) -> Option<Stray> {
    let count = states.len();
    let time = |s: usize| guides.per_segment[s].time_s;
    let mut values: Vec<Complex64> = states
        .iter()
        .enumerate()
        .map(|(s, state)| guides.phasor(s, order) * Complex64::cis(-(order as f64) * state.phase))
        .collect();
    // Turns of any number first, from one segment to the next; what is left of them is small.
    let together: Complex64 = values.windows(2).map(|pair| pair[1] * pair[0].conj()).sum();
    let between_s = (time(count - 1) - time(0)) / (count - 1) as f64;
    let rate = together.arg() / between_s;
    for (s, value) in values.iter_mut().enumerate() {
        *value *= Complex64::cis(-rate * (time(s) - time(0)));
    }
    let weights: Vec<f64> = (0..count)
        .map(|s| 1.0 / guides.variance(s, order))
        .collect();
    let total: f64 = weights.iter().sum();
    let own = || values.iter().zip(&weights);
    let mean = own().map(|(c, w)| c * *w).sum::<Complex64>() / total;
    let power = mean.norm_sqr();
    if !(power * total > STANDS) {
        return None;
    }
    let middle_s = (0..count).map(|s| weights[s] * time(s)).sum::<f64>() / total;
    let (mut product, mut square) = (0.0, 0.0);
    for (s, (c, w)) in own().enumerate() {
        let t = time(s) - middle_s;
        product += w * t * (c * mean.conj()).im;
        square += w * t * t * power;
    }
    let slope = product / square;
    // Phases that scatter by more than the noise tell the turn less.
    let scatter = own().enumerate().map(|(s, (c, w))| {
        let left = (c * mean.conj()).im - slope * (time(s) - middle_s) * power;
        w * left * left / power
    });
    let ratio = scatter.sum::<f64>() / (count - 2) as f64;
    Some(Stray {
        order,
        distance: (rate + slope) / TAU,
        variance: ratio.max(1.0) / square / (TAU * TAU),
    })
    .filter(|own| own.distance.is_finite() && own.variance > 0.0)
}

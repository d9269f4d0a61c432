//! Amplitudes: constants of a piece, a gain common to all orders, deviations of their own.

use super::smoother::{Smoothed, Smoothing, TrackData, flat_ratio};
use super::steady::{OWN_TRACK_GAIN, steady_orders};
use crate::numeric::{Banded, Roughness};
use crate::separation::fit::fitted::Spent;
use crate::separation::fit::model::{HumModel, Sums, gram_of, whole_sums};
use rustfft::num_complex::Complex64;

/// Fastest changes that tracks follow, Hz.
const GAIN_BANDWIDTH_HZ: f64 = 4.0;
const OWN_BANDWIDTH_HZ: f64 = 2.0;

/// Constants, common gain and own deviations from the sums.
pub(crate) fn update_amplitudes(model: &mut HumModel, sums: &Sums, smoothing: &Smoothing) -> Spent {
    let (left, right) = whole_sums(model, sums);
    let n = sums.orders;
    solve_constants(model, sums, &left, &right);
    let mut spent = Spent {
        orders: vec![model.constants.len() as f64; n],
        gain: 0.0,
    };
    if model.intervals() < 8 {
        return spent;
    }
    spent.gain = update_gain(model, sums, smoothing, (&left, &right));
    // Deviations of their own.
    let sides: Vec<[Vec<f64>; 2]> = (0..n)
        .map(|o| beside_constant(model, sums, (&left, &right), o))
        .collect();
    let shortest = smoothing.shortest(OWN_BANDWIDTH_HZ);
    let steady = steady_orders(sums, &sides, smoothing, shortest);
    for o in 0..n {
        if steady[o] {
            model.deviations[o].clear();
            continue;
        }
        let plain = gram_of(sums, o);
        let data = smoothing.track(&plain, &sides[o]);
        let (smoothed, free) = best_of_both(&data, shortest);
        if free > 1.6 {
            spent.orders[o] += free;
            model.deviations[o] = smoothed.tracks[0]
                .iter()
                .zip(&smoothed.tracks[1])
                .map(|(re, im)| Complex64::new(*re, *im))
                .collect();
        } else {
            model.deviations[o].clear();
        }
    }
    spent
}

/// What the sums of an order say beyond its constant: right-hand sides of its real and imaginary part at the edges.
fn beside_constant(
    model: &HumModel,
    sums: &Sums,
    (left, right): (&[Complex64], &[Complex64]),
    o: usize,
) -> [Vec<f64>; 2] {
    let n = sums.orders;
    let edges = model.edges.len();
    let mut sides = [vec![0.0; edges], vec![0.0; edges]];
    for i in 0..model.intervals() {
        let c = model.constants[model.piece[i]][o];
        let [aa, ab, bb] = sums.gram(i, o);
        let (ga, gb) = (model.gain[i], model.gain[i + 1]);
        let l = left[i * n + o] - c * (aa * ga + ab * gb);
        let r = right[i * n + o] - c * (ab * ga + bb * gb);
        sides[0][i] += l.re;
        sides[1][i] += l.im;
        sides[0][i + 1] += r.re;
        sides[1][i + 1] += r.im;
    }
    sides
}

/// Gain common to all orders, and the constants under it; returns the free parameters beyond its level.
pub(crate) fn update_gain(
    model: &mut HumModel,
    sums: &Sums,
    smoothing: &Smoothing,
    (left, right): (&[Complex64], &[Complex64]),
) -> f64 {
    let n = sums.orders;
    model.gain.fill(1.0);
    solve_constants(model, sums, left, right);
    let edges = model.edges.len();
    let mut gram = Banded::zeros(edges);
    let mut rhs = vec![0.0; edges];
    let mut spent = 0.0;
    for o in 0..n {
        let scale = 2.0 / sums.noise[o];
        for i in 0..model.intervals() {
            let c = model.constants[model.piece[i]][o];
            rhs[i] += scale * (c.conj() * left[i * n + o]).re;
            rhs[i + 1] += scale * (c.conj() * right[i * n + o]).re;
            gram.add_interval(i, sums.gram(i, o), scale * c.norm_sqr());
        }
    }
    if gram.mean_diagonal() > 0.0 {
        let data = smoothing.track(&gram, std::slice::from_ref(&rhs));
        let shortest = smoothing.shortest(GAIN_BANDWIDTH_HZ);
        let (smoothed, free) = best_of_both(&data, shortest);
        if free < 1.6 {
            model.gain.fill(1.0);
        } else {
            spent = free - 1.0;
            let mean = smoothed.tracks[0].iter().sum::<f64>() / edges as f64;
            for (g, s) in model.gain.iter_mut().zip(&smoothed.tracks[0]) {
                *g = s / mean;
            }
        }
        solve_constants(model, sums, left, right);
    }
    spent
}

pub(crate) fn solve_constants(
    model: &mut HumModel,
    sums: &Sums,
    left: &[Complex64],
    right: &[Complex64],
) {
    let n = sums.orders;
    let pieces = model.constants.len();
    let mut mass = vec![vec![0.0; n]; pieces];
    let mut into = vec![vec![Complex64::default(); n]; pieces];
    for i in 0..model.intervals() {
        let (ga, gb) = (model.gain[i], model.gain[i + 1]);
        let piece = model.piece[i];
        for o in 0..n {
            let [aa, ab, bb] = sums.gram(i, o);
            mass[piece][o] += aa * ga * ga + 2.0 * ab * ga * gb + bb * gb * gb;
            into[piece][o] += left[i * n + o] * ga + right[i * n + o] * gb;
        }
    }
    for ((constants, sums), mass) in model.constants.iter_mut().zip(&into).zip(&mass) {
        for ((c, s), mass) in constants.iter_mut().zip(sums).zip(mass) {
            // Where an order is not to be trusted anywhere in a piece, it stays as it was.
            if *mass > 0.0 {
                *c = s / *mass;
            }
        }
    }
}

/// The likelier of a random walk and an integrated one; the plain constant unless beaten clearly.
pub(crate) fn best_of_both(data: &TrackData<'_>, shortest: f64) -> (Smoothed, f64) {
    let terms = Roughness::Level.terms(data.spacing.len());
    let flat_ratio = flat_ratio(data.gram);
    let energy = data.energy();
    let flat = data.at_ratio(Roughness::Level, &vec![1.0; terms], flat_ratio, energy);
    let level = data.best(Roughness::Level, &vec![1.0; terms], shortest);
    if level.log_likelihood < flat.log_likelihood + OWN_TRACK_GAIN {
        return (flat, 1.0);
    }
    let of_level = data.parameters(Roughness::Level, &vec![1.0; terms], &level);
    let terms = Roughness::Slope.terms(data.spacing.len());
    let slope = data.best(Roughness::Slope, &vec![1.0; terms], shortest);
    let of_slope = data.parameters(Roughness::Slope, &vec![1.0; terms], &slope);
    // Both restricted likelihoods are of the same data but for the line's slope; the fewer
    // parameters decide between equals.
    let cost = |s: &Smoothed, p: f64| s.noise.ln() * data.gram.len() as f64 + 2.0 * p;
    if cost(&slope, of_slope) < cost(&level, of_level) {
        (slope, of_slope)
    } else {
        (level, of_level)
    }
}

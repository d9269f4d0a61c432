//! The phase track, from all harmonics together.

use super::smoother::{Smoothed, Smoothing, TrackData};
use crate::numeric::{Banded, Cholesky, Roughness, plain_dot};
use crate::separation::fit::model::{HumModel, Sums};
use crate::stats::normal_variance;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Fastest changes that the track follows, Hz.
const BANDWIDTH_HZ: f64 = 12.0;

/// What a step of the phase track did.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PhaseStep {
    /// Usual shift, cycles.
    pub(crate) shift: f64,
    /// Largest shift, cycles.
    pub(crate) farthest: f64,
    /// Free parameters of the track.
    pub(crate) parameters: f64,
}

/// One Gauss-Newton step of the phase track, smoothed; returns what it did.
pub(crate) fn update_phase(
    model: &mut HumModel,
    sums: &mut Sums,
    smoothing: &Smoothing,
    last_shift: f64,
) -> PhaseStep {
    let edges = model.edges.len();
    let mut gram = Banded::zeros(edges);
    let mut rhs = vec![0.0; edges];
    let reach = (0.11 / last_shift).max(1.5);
    for (o, &order) in model.orders.iter().enumerate() {
        if order as f64 > reach {
            continue;
        }
        let slope = 2.0 * PI * order as f64;
        let scale = 2.0 / sums.noise[o];
        for i in 0..model.intervals() {
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            rhs[i] += scale * slope * (a.conj() * sums.left[i * sums.orders + o]).im;
            rhs[i + 1] += scale * slope * (b.conj() * sums.right[i * sums.orders + o]).im;
            let power = 0.5 * (a.norm_sqr() + b.norm_sqr());
            gram.add_interval(i, sums.gram(i, o), scale * slope * slope * power);
        }
    }
    if gram.mean_diagonal() <= 0.0 {
        return PhaseStep {
            shift: last_shift,
            farthest: 0.0,
            parameters: 0.0,
        };
    }
    for (r, g) in rhs.iter_mut().zip(gram.multiply(&model.phase)) {
        *r += g;
    }
    let line = straight(&model.phase, &smoothing.spacing);
    for (r, g) in rhs.iter_mut().zip(gram.multiply(&line)) {
        *r -= g;
    }
    let data = smoothing.track(&gram, std::slice::from_ref(&rhs));
    let (smoothed, weights) =
        robust_best(&data, Roughness::Slope, smoothing.shortest(BANDWIDTH_HZ));
    let (track, turns) = turns_of_pieces(model, sums, &data, &smoothed, &weights, &line);
    // The level of the phase is the constants' business.
    let spent = data.parameters(Roughness::Slope, &weights, &smoothed);
    let mut shifts: Vec<f64> = track
        .iter()
        .zip(&line)
        .zip(&model.phase)
        .map(|((s, l), p)| s + l - p)
        .collect();
    let mean = shifts.iter().sum::<f64>() / edges as f64;
    if !mean.is_finite() {
        return PhaseStep {
            shift: last_shift,
            farthest: 0.0,
            parameters: 0.0,
        };
    }
    for (shift, p) in shifts.iter_mut().zip(&mut model.phase) {
        *shift -= mean;
        *p += *shift;
    }
    for i in 0..model.intervals() {
        for (o, &order) in model.orders.iter().enumerate() {
            let turn = Complex64::new(0.0, 2.0 * PI * order as f64);
            let own = turns[model.piece[i]];
            let a = model.amplitude(o, i, i) * turn * (shifts[i] + own);
            let b = model.amplitude(o, i, i + 1) * turn * (shifts[i + 1] + own);
            let [aa, ab, bb] = sums.gram(i, o);
            sums.left[i * sums.orders + o] -= a * aa + b * ab;
            sums.right[i * sums.orders + o] -= a * ab + b * bb;
        }
    }
    for (constants, own) in model.constants.iter_mut().zip(&turns) {
        for (c, &order) in constants.iter_mut().zip(&model.orders) {
            *c *= Complex64::from_polar(1.0, 2.0 * PI * order as f64 * own);
        }
    }
    PhaseStep {
        farthest: shifts.iter().fold(0.0, |most: f64, s| most.max(s.abs())),
        shift: (shifts.iter().map(|s| s * s).sum::<f64>() / edges as f64)
            .sqrt()
            .max(1e-6),
        parameters: (spent - 1.0).max(0.0),
    }
}

/// The straight line through a track's ends.
fn straight(track: &[f64], spacing: &[f64]) -> Vec<f64> {
    let (first, last) = (track[0], track[track.len() - 1]);
    let whole: f64 = spacing.iter().sum();
    let mut at = 0.0;
    let mut line = vec![first];
    for h in spacing {
        at += h;
        line.push(first + (last - first) * at / whole);
    }
    line
}

/// The phase track together with a turn of every later piece's constants: after a sudden change the
/// phase of all of them is unknown, and the track must not bend to make up for it. Returns the track
/// about `line` and the turns, cycles.
fn turns_of_pieces(
    model: &HumModel,
    sums: &Sums,
    data: &TrackData<'_>,
    smoothed: &Smoothed,
    weights: &[f64],
    line: &[f64],
) -> (Vec<f64>, Vec<f64>) {
    let pieces = model.constants.len();
    let mut track = smoothed.tracks[0].clone();
    let mut turns = vec![0.0; pieces];
    if pieces < 2 {
        return (track, turns);
    }
    let edges = model.edges.len();
    // By later piece: its data's weight on every edge, and its pull on a turn.
    let mut shares = vec![vec![0.0; edges]; pieces - 1];
    let mut pulls = vec![0.0; pieces - 1];
    for i in 0..model.intervals() {
        let Some(piece) = model.piece[i].checked_sub(1) else {
            continue;
        };
        let moved = [i, i + 1].map(|e| track[e] + line[e] - model.phase[e]);
        for (o, &order) in model.orders.iter().enumerate() {
            let slope = 2.0 * PI * order as f64;
            let scale = 2.0 * slope / sums.noise[o];
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            let k = i * sums.orders + o;
            let pull = (a.conj() * sums.left[k] + b.conj() * sums.right[k]).im;
            let power = 0.5 * (a.norm_sqr() + b.norm_sqr());
            let [aa, ab, bb] = sums.gram(i, o).map(|g| g * scale * slope * power);
            shares[piece][i] += aa + ab;
            shares[piece][i + 1] += ab + bb;
            pulls[piece] += scale * pull - (aa + ab) * moved[0] - (ab + bb) * moved[1];
        }
    }
    let with_turns = TrackData {
        rhs: &shares,
        ..*data
    };
    let bends = with_turns
        .at_ratio(Roughness::Slope, weights, smoothed.ratio, 0.0)
        .tracks;
    let count = pieces - 1;
    let mut matrix = vec![0.0; count * count];
    for p in 0..count {
        for q in 0..=p {
            let own = if p == q { shares[p].iter().sum() } else { 0.0 };
            matrix[p * count + q] = own - plain_dot(&shares[p], &bends[q]);
        }
    }
    let Some(factor) = Cholesky::new(count, matrix) else {
        return (track, turns);
    };
    factor.solve(&mut pulls);
    for (turn, bend) in pulls.iter().zip(&bends) {
        for (t, b) in track.iter_mut().zip(bend) {
            *t -= turn * b;
        }
    }
    turns[1..].copy_from_slice(&pulls);
    (track, turns)
}

/// Best smoothing whose walk may make rare large steps (a redescending loss by reweighting), and the weights
/// of its steps.
fn robust_best(data: &TrackData<'_>, roughness: Roughness, shortest: f64) -> (Smoothed, Vec<f64>) {
    let terms = roughness.terms(data.spacing.len());
    let mut weights = vec![1.0; terms];
    let mut smoothed = data.best(roughness, &weights, shortest);
    for _ in 0..6 {
        let differences = roughness.differences(&smoothed.tracks[0], data.spacing);
        let mut squares: Vec<f64> = differences.iter().map(|d| d * d).collect();
        if squares.is_empty() {
            break;
        }
        let scale = normal_variance(&mut squares).max(1e-300);
        let mut changed = false;
        for (w, d) in weights.iter_mut().zip(&differences) {
            let excess = d * d / scale;
            let new = if excess > 16.0 {
                (16.0 / excess).powi(2)
            } else {
                1.0
            };
            changed |= new < 0.9 * *w;
            *w = new.min(*w);
        }
        if !changed {
            break;
        }
        smoothed = data.best(roughness, &weights, shortest);
    }
    (smoothed, weights)
}

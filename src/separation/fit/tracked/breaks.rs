//! Sudden changes of all amplitudes: a load that switches.

use super::amplitudes::{solve_constants, update_gain};
use super::smoother::Smoothing;
use crate::separation::fit::model::{HumModel, Sums, total, whole_sums};
use crate::stats::normal_variance;
use rustfft::num_complex::Complex64;

pub(crate) const MOST_BREAKS: usize = 12;
/// Shortest stretch between two changes of all amplitudes, s.
const NARROWEST_PIECE_S: f64 = 0.4;

/// A model with a piece split where all amplitudes change at once; `None` where they do not.
pub(crate) fn find_break(
    model: &HumModel,
    sums: &Sums,
    smoothing: &Smoothing,
    (x, missing): (&[f64], Option<&[f32]>),
) -> Option<HumModel> {
    if model.constants.len() > MOST_BREAKS {
        return None;
    }
    let n = sums.orders;
    // One jump must not count as noise.
    let noise = &sums.usual;
    let narrowest = ((NARROWEST_PIECE_S / smoothing.interval_s).ceil() as usize).max(10);
    let (left, right) = whole_sums(model, sums);
    let mut best: Option<(f64, usize)> = None;
    for piece in 0..model.constants.len() {
        let span: Vec<usize> = (0..model.intervals())
            .filter(|i| model.piece[*i] == piece)
            .collect();
        if span.len() < 2 * narrowest {
            continue;
        }
        let (start, end) = (span[0], span[0] + span.len());
        let mut before = vec![(Complex64::default(), 0.0); n];
        let mut whole = before.clone();
        for i in start..end {
            for (o, w) in whole.iter_mut().enumerate() {
                w.0 += left[i * n + o] + right[i * n + o];
                w.1 += total(sums.gram(i, o));
            }
        }
        for i in start..end {
            let changes: Vec<(Complex64, f64)> = before
                .iter()
                .zip(&whole)
                .map(|(b, w)| {
                    let rest = w.1 - b.1;
                    if b.1 <= 0.0 || rest <= 0.0 {
                        return (Complex64::default(), 0.0);
                    }
                    ((w.0 - b.0) / rest - b.0 / b.1, b.1 * rest / w.1)
                })
                .collect();
            let statistic = worth_of_change(model, piece, &changes, noise);
            let inside = i >= start + narrowest && i + narrowest <= end;
            if inside && best.is_none_or(|b| statistic > b.0) {
                best = Some((statistic, i));
            }
            for (o, b) in before.iter_mut().enumerate() {
                b.0 += left[i * n + o] + right[i * n + o];
                b.1 += total(sums.gram(i, o));
            }
        }
    }
    let (statistic, at) = best?;
    let limit = break_limit(n, model.intervals());
    if statistic < limit || !is_sharp(model, sums, (&left, &right), at) {
        return None;
    }
    let mut split = model.clone();
    split_piece(&mut split, at);
    for deviation in &mut split.deviations {
        deviation.clear();
    }
    split.gain.fill(1.0);
    solve_constants(&mut split, sums, &left, &right);
    let mut whole = model.clone();
    for deviation in &mut whole.deviations {
        deviation.clear();
    }
    update_gain(&mut whole, sums, smoothing, (&left, &right));
    let (with, without) = (
        explained(&split, sums, &left, &right),
        explained(&whole, sums, &left, &right),
    );
    if with < without + n as f64 + 10.0 {
        return None;
    }
    place_break(&mut split, at, x, missing);
    Some(split)
}

/// Joins the two pieces whose difference is least worth its parameters, if there are such.
pub(crate) fn drop_break(model: &mut HumModel, sums: &Sums) -> bool {
    let n = sums.orders;
    let worth = |piece: usize| -> f64 {
        let mut mass = [vec![0.0; n], vec![0.0; n]];
        for i in 0..model.intervals() {
            if let Some(side) = model.piece[i].checked_sub(piece).filter(|s| *s < 2) {
                for (o, m) in mass[side].iter_mut().enumerate() {
                    *m += total(sums.gram(i, o));
                }
            }
        }
        let changes: Vec<(Complex64, f64)> = (0..n)
            .map(|o| {
                let change = model.constants[piece + 1][o] - model.constants[piece][o];
                let (m1, m2) = (mass[0][o], mass[1][o]);
                (change, m1 * m2 / f64::max(m1 + m2, 1.0))
            })
            .collect();
        worth_of_change(model, piece, &changes, &sums.noise)
    };
    let least = (0..model.constants.len() - 1)
        .map(|p| (worth(p), p))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((value, piece)) = least else {
        return false;
    };
    if value > break_limit(n, model.intervals()) {
        return false;
    }
    model.constants.remove(piece + 1);
    for p in &mut model.piece {
        if *p > piece {
            *p -= 1;
        }
    }
    true
}

/// Empties the pieces in which no more stands than noise: before a load is switched on there is no hum.
pub(crate) fn silence(model: &mut HumModel, sums: &Sums) {
    if model.constants.len() < 2 || model.deviations.iter().any(|d| !d.is_empty()) {
        return;
    }
    let count = sums.orders as f64;
    for piece in 0..model.constants.len() {
        let mut strength = 0.0;
        for (o, c) in model.constants[piece].iter().enumerate() {
            let intervals = (0..model.intervals()).filter(|i| model.piece[*i] == piece);
            let mass: f64 = intervals.map(|i| total(sums.gram[i])).sum();
            strength += c.norm_sqr() * mass / sums.noise[o];
        }
        // A gamma variable: passed once in a thousand, about.
        if strength < count + 3.0 * count.sqrt() + 3.0 {
            model.constants[piece].fill(Complex64::default());
        }
    }
}

/// Moves the edge of a break to the sample at which the residual is least.
fn place_break(model: &mut HumModel, at: usize, x: &[f64], missing: Option<&[f32]>) {
    let (first, end) = (at.saturating_sub(3), (at + 3).min(model.intervals()));
    let (from, to) = (model.edges[first], model.edges[end]);
    let side = |piece: usize| {
        let mut all = model.clone();
        all.piece[first..end].fill(piece);
        let mut out = x[from..to].to_vec();
        all.subtract(&mut out, first, end);
        out
    };
    let (before, after) = (side(model.piece[at - 1]), side(model.piece[at]));
    let level = before
        .iter()
        .zip(&after)
        .map(|(a, b)| 0.5 * (a + b))
        .sum::<f64>()
        / before.len() as f64;
    let square = |v: &f64| (v - level).powi(2);
    let mut smaller: Vec<f64> = before
        .iter()
        .zip(&after)
        .map(|(b, a)| square(b).min(square(a)))
        .collect();
    let limit = 20.0 * normal_variance(&mut smaller);
    let (mut sum, mut least, mut place) = (0.0, 0.0, 0);
    for (i, (b, a)) in before.iter().zip(&after).enumerate() {
        if sum < least {
            (least, place) = (sum, i);
        }
        if missing.is_none_or(|w| w[from + i] > 0.0) {
            sum += square(b).min(limit) - square(a).min(limit);
        }
    }
    if sum < least {
        place = before.len();
    }
    let sample = from + place;
    // The nearest edge moves there; what lies between it and the old break changes sides.
    let inner = first + 1..end;
    let Some(edge) = inner.min_by_key(|e| model.edges[*e].abs_diff(sample)) else {
        return;
    };
    if sample <= model.edges[edge - 1] + 1 || sample + 1 >= model.edges[edge + 1] {
        return;
    }
    let (early, late) = (model.piece[at - 1], model.piece[at]);
    for i in first..end {
        model.piece[i] = if i < edge { early } else { late };
    }
    let interval = if sample < model.edges[edge] {
        edge - 1
    } else {
        edge
    };
    let phase = model.phase[interval]
        + model.cycles_per_sample(interval) * (sample - model.edges[interval]) as f64;
    model.edges[edge] = sample;
    model.phase[edge] = phase;
}

/// Moves the edges of all breaks to the samples at which the residual is least.
pub(crate) fn place_breaks(model: &mut HumModel, x: &[f64], missing: Option<&[f32]>) {
    for at in 1..model.intervals() {
        if model.piece[at] != model.piece[at - 1] {
            place_break(model, at, x, missing);
        }
    }
}

/// What a change of all amplitudes explains beyond a shift of the phase, less the largest share of
/// a single order: a load changes many, and the phase track has its own way to move.
fn worth_of_change(
    model: &HumModel,
    piece: usize,
    changes: &[(Complex64, f64)],
    noise: &[f64],
) -> f64 {
    let (mut sum, mut largest) = (0.0, 0.0f64);
    let (mut along, mut length) = (0.0, 1e-300);
    for (o, ((change, mass), s)) in changes.iter().zip(noise).enumerate() {
        let share = change.norm_sqr() * mass / s;
        sum += share;
        largest = largest.max(share);
        let turn = model.constants[piece][o] * Complex64::new(0.0, model.orders[o] as f64);
        along += (turn.conj() * change).re * mass / s;
        length += turn.norm_sqr() * mass / s;
    }
    sum - along * along / length - if changes.len() > 2 { largest } else { 0.0 }
}

/// What a break must explain: a gamma variable's mean, five of its deviations, and the choice.
fn break_limit(orders: usize, intervals: usize) -> f64 {
    let count = orders as f64;
    count + 5.0 * count.sqrt() + 2.0 * (intervals as f64).ln() + 10.0
}

/// Whether amplitudes close before and after differ by most of what they differ farther away.
fn is_sharp(
    model: &HumModel,
    sums: &Sums,
    (left, right): (&[Complex64], &[Complex64]),
    at: usize,
) -> bool {
    let n = sums.orders;
    let mean = |from: usize, to: usize, o: usize| {
        let (mut sum, mut mass) = (Complex64::default(), 1e-300);
        for i in from..to {
            sum += left[i * n + o] + right[i * n + o];
            mass += total(sums.gram(i, o));
        }
        sum / mass
    };
    let piece = model.piece[at];
    let start = (0..at)
        .rev()
        .take_while(|i| model.piece[*i] == piece)
        .last()
        .unwrap_or(at);
    let end = (at..model.intervals())
        .take_while(|i| model.piece[*i] == piece)
        .count()
        + at;
    let wide = (at - start)
        .min(end - at)
        .min((model.intervals() / 8).max(5));
    let near = 6.min(wide);
    let (mut projected, mut whole) = (0.0, 0.0);
    for o in 0..n {
        let far = mean(at, at + wide, o) - mean(at - wide, at, o);
        let close = mean(at + 1, at + 1 + near, o) - mean(at - 1 - near.min(at - 1), at - 1, o);
        projected += (far.conj() * close).re / sums.noise[o];
        whole += far.norm_sqr() / sums.noise[o];
    }
    projected > 0.5 * whole
}

fn split_piece(model: &mut HumModel, at: usize) {
    let piece = model.piece[at];
    for (i, p) in model.piece.iter_mut().enumerate() {
        if *p > piece || (*p == piece && i >= at) {
            *p += 1;
        }
    }
    let copy = model.constants[piece].clone();
    model.constants.insert(piece, copy);
}

/// Likelihood gained over no hum at all, in units of one complex parameter.
fn explained(model: &HumModel, sums: &Sums, left: &[Complex64], right: &[Complex64]) -> f64 {
    let n = sums.orders;
    let mut gained = 0.0;
    for i in 0..model.intervals() {
        for o in 0..n {
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            let [aa, ab, bb] = sums.gram(i, o);
            let linear = 2.0 * (a.conj() * left[i * n + o] + b.conj() * right[i * n + o]).re;
            let square = aa * a.norm_sqr() + 2.0 * ab * (a.conj() * b).re + bb * b.norm_sqr();
            gained += (linear - square) / sums.noise[o];
        }
    }
    gained
}

#[cfg(test)]
mod tests {
    use crate::separation::fit::trials::{RATE_HZ, fitted, hum, made};
    use std::f64::consts::TAU;

    /// Pieces in the order in which they come, with the sample at which each begins.
    fn pieces(x: &[f64]) -> Vec<usize> {
        let model = fitted(x).model;
        (0..model.intervals())
            .filter(|i| *i == 0 || model.piece[*i] != model.piece[i - 1])
            .map(|i| model.edges[i])
            .collect()
    }

    /// Amplitudes change at once and not in proportion, which a common gain could follow: one break, placed within a quarter of a cycle.
    #[test]
    fn a_load_that_switches_is_a_break_at_its_sample() {
        let at = 3.217;
        let x = made(8.0, 5, 0.05, |t| {
            let cycles = 50.03 * t;
            let load = 0.6 * (TAU * 3.0 * cycles).cos() + 0.4 * (TAU * 5.0 * cycles).sin();
            hum(cycles) + if t < at { 0.0 } else { load }
        });
        let found = pieces(&x);
        assert_eq!(found.len(), 2, "{found:?}");
        let off = found[1] as f64 - at * RATE_HZ;
        assert!(off.abs() < 0.25 * RATE_HZ / 50.0, "{off}");
    }

    #[test]
    fn steady_hum_has_no_break() {
        assert_eq!(pieces(&made(8.0, 6, 0.05, |t| hum(50.03 * t))), [0]);
    }

    /// A step of the frequency moves the phase, not the amplitudes.
    #[test]
    fn a_step_of_the_grid_is_no_break() {
        let x = made(8.0, 7, 0.05, |t| hum(50.0 * t + 0.1 * (t - 4.0).max(0.0)));
        assert_eq!(pieces(&x), [0]);
    }
}

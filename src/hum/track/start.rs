//! Where the phase track starts from: the best path of frequency through windows of the record.

use super::model::{Model, PHASE};
use super::record::Record;
use super::rings::turned_sum;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Cycles of a window.
const WINDOW: usize = 12;
/// Cycles from which frequency is looked for window by window.
const LONG: usize = 30;
/// Furthest the frequency may be from where it is looked for in a long record, Hz.
const REACH_HZ: f64 = 2.5;
/// The same in a short one.
const NEAR_HZ: f64 = 1.5;
/// Orders that tell.
const TELLING: usize = 5;

/// One order's sums over blocks of a cycle of the reference.
struct Demodulated {
    order: usize,
    blocks: Vec<Complex64>,
}

/// Puts the phase track of `model` where `rest` (the record less its slow content) has it.
pub(super) fn start(record: &Record, rest: &[f64], model: &mut Model, orders: usize) {
    let orders = demodulate(record, rest, model.reference_hz, orders);
    let count = orders.first().map_or(0, |o| o.blocks.len());
    if count == 0 {
        return;
    }
    let hop_s = record.duration_s / count as f64;
    let (window, reach) = if count < LONG {
        (count, (0.8 / record.duration_s).clamp(0.3, NEAR_HZ))
    } else {
        (WINDOW, REACH_HZ)
    };
    let highest = orders.iter().map(|o| o.order).max().unwrap_or(1) as f64;
    let step = 0.12 / (highest * window as f64 * hop_s);
    let half = ((reach / step).ceil() as usize).min(400);
    let grid: Vec<f64> = (0..=2 * half)
        .map(|i| (i as f64 - half as f64) * step)
        .collect();
    let hop = (window / 2).max(1);
    let starts: Vec<usize> = (0..=count - window).step_by(hop).collect();
    let scores: Vec<Vec<f64>> = starts
        .iter()
        .map(|&first| {
            grid.iter()
                .map(|&f| score(&orders, first..first + window, f, hop_s))
                .collect()
        })
        .collect();
    let path = best_path(&scores, step, hop as f64 * hop_s);
    let times: Vec<f64> = starts
        .iter()
        .map(|&first| (first as f64 + 0.5 * window as f64) * hop_s)
        .collect();
    let frequencies: Vec<f64> = path.iter().map(|&i| grid[i]).collect();
    let phases = integrate(&times, &frequencies);
    let phases = refine(&orders, &times, phases, &frequencies, hop_s, hop);
    place(model, &times, &phases, &frequencies);
}

fn demodulate(record: &Record, rest: &[f64], hz: f64, orders: usize) -> Vec<Demodulated> {
    let count = ((record.duration_s * hz) as usize).max(1);
    let mut out: Vec<Demodulated> = (1..=orders)
        .map(|order| Demodulated {
            order,
            blocks: vec![Complex64::default(); count],
        })
        .collect();
    for (i, (r, trust)) in rest.iter().zip(&record.trust).enumerate() {
        let t = record.time_s(i);
        let block = ((t / record.duration_s * count as f64) as usize).min(count - 1);
        let turn = Complex64::cis(-TAU * hz * t);
        let mut power = turn * (trust * r);
        for order in &mut out {
            order.blocks[block] += power;
            power *= turn;
        }
    }
    let strength = |o: &Demodulated| o.blocks.iter().map(Complex64::norm_sqr).sum::<f64>();
    out.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
    out.truncate(TELLING);
    out
}

/// Power of the orders at a deviation of the frequency over a window.
fn score(orders: &[Demodulated], window: std::ops::Range<usize>, hz: f64, hop_s: f64) -> f64 {
    orders
        .iter()
        .map(|o| {
            let step = Complex64::cis(-TAU * o.order as f64 * hz * hop_s);
            turned_sum(&o.blocks[window.clone()], step).norm_sqr()
        })
        .sum()
}

/// Path of greatest score where a change of frequency costs (Viterbi).
fn best_path(scores: &[Vec<f64>], step_hz: f64, hop_s: f64) -> Vec<usize> {
    let states = scores.first().map_or(0, Vec::len);
    let normal = |row: &[f64]| {
        let most = row.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        row.iter().map(|s| 20.0 * s / most).collect::<Vec<f64>>()
    };
    let most = ((1.5 * hop_s.sqrt() / step_hz).ceil() as usize).clamp(2, 60);
    let price = |d: f64| 0.5 * (d * step_hz / 0.5).powi(2) / hop_s;
    let mut total = scores.first().map(|row| normal(row)).unwrap_or_default();
    let mut from: Vec<Vec<usize>> = Vec::new();
    for row in scores.iter().skip(1) {
        let gained = normal(row);
        let mut next = vec![f64::NEG_INFINITY; states];
        let mut back = vec![0; states];
        for i in 0..states {
            for j in i.saturating_sub(most)..(i + most + 1).min(states) {
                let value = total[j] - price(i as f64 - j as f64);
                if value > next[i] {
                    next[i] = value;
                    back[i] = j;
                }
            }
            next[i] += gained[i];
        }
        total = next;
        from.push(back);
    }
    let mut at = (0..states)
        .max_by(|&a, &b| total[a].total_cmp(&total[b]))
        .unwrap_or(0);
    let mut path = vec![at];
    for back in from.iter().rev() {
        at = back[at];
        path.push(at);
    }
    path.reverse();
    path
}

fn integrate(times: &[f64], frequencies: &[f64]) -> Vec<f64> {
    let mut phase = 0.0;
    let mut out = vec![0.0];
    for (t, f) in times.windows(2).zip(frequencies.windows(2)) {
        phase += TAU * 0.5 * (f[0] + f[1]) * (t[1] - t[0]);
        out.push(phase);
    }
    out.truncate(times.len());
    out
}

/// Corrects the phase gained from window to window by what the orders' phases say.
fn refine(
    orders: &[Demodulated],
    times: &[f64],
    phases: Vec<f64>,
    frequencies: &[f64],
    hop_s: f64,
    hop: usize,
) -> Vec<f64> {
    if times.len() < 2 {
        return phases;
    }
    // Each window's middle part, turned by what is believed of it.
    let count = orders[0].blocks.len();
    let sums: Vec<Vec<Complex64>> = orders
        .iter()
        .map(|o| {
            (0..times.len())
                .map(|w| {
                    let centre = (times[w] / hop_s) as usize;
                    let part =
                        centre.saturating_sub(hop / 2)..(centre + hop.div_ceil(2)).min(count);
                    part.map(|b| {
                        let t = (b as f64 + 0.5) * hop_s;
                        let phase = phases[w] + TAU * frequencies[w] * (t - times[w]);
                        o.blocks[b] * Complex64::cis(-(o.order as f64) * phase)
                    })
                    .sum()
                })
                .collect()
        })
        .collect();
    let mut correction = 0.0;
    let mut out = vec![phases[0]];
    for w in 1..times.len() {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (o, row) in orders.iter().zip(&sums) {
            let product = row[w] * row[w - 1].conj();
            let (k, strength) = (o.order as f64, product.norm());
            sum += strength * k * product.arg();
            weight += strength * k * k;
        }
        if weight > 0.0 {
            correction += sum / weight;
        }
        out.push(phases[w] + correction);
    }
    out
}

/// Spline coefficients from a phase known at times, straight beyond them.
fn place(model: &mut Model, times: &[f64], phases: &[f64], frequencies: &[f64]) {
    let last = times.len() - 1;
    let at = |t: f64| {
        if last == 0 || t <= times[0] {
            return phases[0] + TAU * frequencies[0] * (t - times[0]);
        }
        if t >= times[last] {
            return phases[last] + TAU * frequencies[last] * (t - times[last]);
        }
        let i = times.partition_point(|&x| x <= t).clamp(1, last);
        let u = (t - times[i - 1]) / (times[i] - times[i - 1]);
        phases[i - 1] + u * (phases[i] - phases[i - 1])
    };
    let spacing = model.mesh.spacing_s;
    for (i, c) in model.tracks[PHASE].iter_mut().enumerate() {
        *c = at((i as f64 - 1.0) * spacing);
    }
    model.settle_gauge();
}

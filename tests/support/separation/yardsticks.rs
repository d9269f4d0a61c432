//! Textbook methods, written plainly, and the oracle that knows what nobody knows.
#![allow(dead_code)]

use crate::cases::Case;
use std::f64::consts::PI;

/// Solves normal equations by Cholesky.
fn least_squares(columns: &[Vec<f64>], x: &[f64]) -> Vec<f64> {
    let p = columns.len();
    let mut a = vec![vec![0.0; p]; p];
    let mut b = vec![0.0; p];
    for i in 0..p {
        b[i] = columns[i].iter().zip(x).map(|(c, v)| c * v).sum();
        for j in 0..=i {
            a[i][j] = columns[i].iter().zip(&columns[j]).map(|(c, d)| c * d).sum();
        }
        a[i][i] *= 1.0 + 1e-12;
    }
    for i in 0..p {
        for j in 0..=i {
            let mut s = a[i][j];
            for k in 0..j {
                s -= a[i][k] * a[j][k];
            }
            a[i][j] = if i == j {
                s.max(1e-300).sqrt()
            } else {
                s / a[j][j]
            };
        }
    }
    for i in 0..p {
        for k in 0..i {
            b[i] -= a[i][k] * b[k];
        }
        b[i] /= a[i][i];
    }
    for i in (0..p).rev() {
        for k in i + 1..p {
            b[i] -= a[k][i] * b[k];
        }
        b[i] /= a[i][i];
    }
    b
}

fn harmonics(phase: &[f64], orders: &[usize], shapes: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let mut columns = vec![vec![1.0; phase.len()]];
    for shape in shapes {
        for &k in orders {
            let angle = |i: usize| 2.0 * PI * k as f64 * phase[i];
            columns.push(
                (0..phase.len())
                    .map(|i| shape[i] * angle(i).cos())
                    .collect(),
            );
            columns.push(
                (0..phase.len())
                    .map(|i| shape[i] * angle(i).sin())
                    .collect(),
            );
        }
    }
    columns
}

fn fitted_hum(columns: &[Vec<f64>], x: &[f64]) -> Vec<f64> {
    let c = least_squares(columns, x);
    (0..x.len())
        .map(|i| (1..columns.len()).map(|j| c[j] * columns[j][i]).sum())
        .collect()
}

/// Error of the hum that least squares leaves when phase, orders, shapes and wanted signal are known.
pub fn oracle(case: &Case) -> f64 {
    let x: Vec<f64> = (0..case.hum.len())
        .map(|i| case.hum[i] + case.noise[i] + case.offset)
        .collect();
    let columns = harmonics(&case.phase, &case.orders, &case.shapes);
    error(case, &fitted_hum(&columns, &x))
}

/// Mean square of the estimated hum less the true one.
pub fn error(case: &Case, hum: &[f64]) -> f64 {
    hum.iter()
        .zip(&case.hum)
        .map(|(a, b)| (a - b).powi(2))
        .sum::<f64>()
        / hum.len() as f64
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}

/// Zero-phase notches of 1 Hz width at the nominal multiples.
pub fn notches(case: &Case) -> Vec<f64> {
    let x = case.record();
    let m = mean(&x);
    let mut y: Vec<f64> = x.iter().map(|v| v - m).collect();
    let top = case.orders.iter().copied().max().unwrap_or(20);
    for k in 1..=top {
        let f = k as f64 * case.nominal_hz;
        if f > 0.45 * case.rate_hz {
            break;
        }
        let w = 2.0 * PI * f / case.rate_hz;
        let r = 1.0 - PI * 1.0 / case.rate_hz;
        for _ in 0..2 {
            let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
            for v in &mut y {
                let out = *v - 2.0 * w.cos() * x1 + x2 + 2.0 * r * w.cos() * y1 - r * r * y2;
                x2 = x1;
                x1 = *v;
                y2 = y1;
                y1 = out;
                *v = out;
            }
            y.reverse();
        }
    }
    x.iter().zip(&y).map(|(a, b)| a - m - b).collect()
}

/// Feedback comb of one nominal cycle, forward only.
pub fn comb(case: &Case) -> Vec<f64> {
    let x = case.record();
    let m = mean(&x);
    let period = (case.rate_hz / case.nominal_hz).round() as usize;
    let g = 0.95;
    let mut y = vec![0.0; x.len()];
    for i in 0..x.len() {
        let (xp, yp) = if i >= period {
            (x[i - period] - m, y[i - period])
        } else {
            (0.0, 0.0)
        };
        y[i] = (1.0 + g) / 2.0 * ((x[i] - m) - xp) + g * yp;
    }
    x.iter().zip(&y).map(|(a, b)| a - m - b).collect()
}

/// Least squares at the best single frequency, block by block.
pub fn blocks(case: &Case, seconds: f64) -> Vec<f64> {
    let x = case.record();
    let size = ((seconds * case.rate_hz) as usize).min(x.len());
    let mut hum = Vec::with_capacity(x.len());
    let top = case.orders.iter().copied().max().unwrap_or(20);
    let orders: Vec<usize> = (1..=top)
        .filter(|k| (*k as f64) * case.nominal_hz < 0.49 * case.rate_hz)
        .collect();
    let f = global_frequency(case, &x);
    let count = (x.len() / size).max(1);
    for b in 0..count {
        let to = if b + 1 == count {
            x.len()
        } else {
            (b + 1) * size
        };
        let part = &x[b * size..to];
        let phase: Vec<f64> = (0..part.len())
            .map(|i| f * i as f64 / case.rate_hz)
            .collect();
        let columns = harmonics(&phase, &orders, &[vec![1.0; part.len()]]);
        hum.extend(fitted_hum(&columns, part));
    }
    hum
}

/// Frequency within 1 % of nominal with the most power in the lowest ten orders.
fn global_frequency(case: &Case, x: &[f64]) -> f64 {
    let m = mean(x);
    let seconds = x.len() as f64 / case.rate_hz;
    let power = |f: f64| -> f64 {
        [1usize, 2, 3, 4, 5]
            .iter()
            .map(|k| {
                let w = 2.0 * PI * *k as f64 * f / case.rate_hz;
                let (s, c) = w.sin_cos();
                let (mut re, mut im, mut a, mut b) = (1.0, 0.0, 0.0, 0.0);
                for v in x {
                    a += (v - m) * re;
                    b += (v - m) * im;
                    (re, im) = (re * c - im * s, re * s + im * c);
                }
                a * a + b * b
            })
            .sum()
    };
    let mut best = case.nominal_hz;
    let mut step = (0.2 / seconds).min(0.1);
    let mut half = ((0.1 / step).ceil() as i32).max(2);
    for _ in 0..5 {
        let centre = best;
        let mut top = f64::NEG_INFINITY;
        for i in -half..=half {
            let f = centre + f64::from(i) * step;
            let p = power(f);
            if p > top {
                (top, best) = (p, f);
            }
        }
        step /= 4.0;
        half = 5;
    }
    best
}

/// Mean over all cycles, by phase, at the best single frequency.
pub fn cycle_average(case: &Case) -> Vec<f64> {
    let x = case.record();
    let m = mean(&x);
    let f = global_frequency(case, &x);
    let bins = (case.rate_hz / case.nominal_hz).round() as usize;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
    let bin =
        |i: usize| (((f * i as f64 / case.rate_hz).fract() * bins as f64) as usize).min(bins - 1);
    for (i, v) in x.iter().enumerate() {
        sums[bin(i)] += v - m;
        counts[bin(i)] += 1.0;
    }
    (0..x.len())
        .map(|i| sums[bin(i)] / f64::max(counts[bin(i)], 1.0))
        .collect()
}

/// Adaptive canceller: least mean squares on sine pairs at the nominal multiples.
pub fn adaptive(case: &Case) -> Vec<f64> {
    let x = case.record();
    let m = mean(&x);
    let top = case.orders.iter().copied().max().unwrap_or(20);
    let mut weights = vec![(0.0, 0.0); top];
    let step = 2.0 * PI * 0.3 / case.rate_hz;
    (0..x.len())
        .map(|i| {
            let mut hum = 0.0;
            let pairs: Vec<(f64, f64)> = (1..=top)
                .map(|k| {
                    (2.0 * PI * k as f64 * case.nominal_hz * i as f64 / case.rate_hz).sin_cos()
                })
                .collect();
            for ((s, c), w) in pairs.iter().zip(&weights) {
                hum += w.0 * c + w.1 * s;
            }
            let e = x[i] - m - hum;
            for ((s, c), w) in pairs.iter().zip(&mut weights) {
                w.0 += step * e * c;
                w.1 += step * e * s;
            }
            hum
        })
        .collect()
}

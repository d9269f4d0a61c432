//! Records of a few cycles: one joint least-squares fit of level, slope, fundamental and harmonics.

use super::fit::{Fit, FitSettings};
use super::model::HumModel;
use super::outliers::far_samples;
use crate::analysis::Cholesky;
use crate::vector::{dot, vectorised};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Standard deviation of a grid's frequency about its nominal value that the fit starts from
/// (common practice, no source), Hz per Hz of nominal.
const GRID_SPREAD: f64 = 0.002;
const MOST_ORDERS: usize = 120;
/// Samples of all columns that fit the processor's cache.
const STRETCH: usize = 512;
const LOWEST_ORDERS: usize = 8;
/// Below this the orders left out of a fit would decide its frequency.
const FEW_CYCLES: f64 = 3.0;

/// Fits level, slope and harmonics to a record too short for tracks.
pub(super) fn fit_short(
    x: &[f64],
    missing: Option<&[f32]>,
    nominals: &[f64],
    settings: &FitSettings,
) -> Fit {
    let weights: Vec<f64> = (0..x.len())
        .map(|i| missing.map_or(1.0, |w| f64::from(w[i])))
        .collect();
    let starts = nominals
        .iter()
        .filter_map(|nominal| coarse(x, &weights, *nominal, settings));
    let Some(start) = starts.min_by(|a, b| a.cost.total_cmp(&b.cost)) else {
        return Fit::default();
    };
    refine(x, weights, missing, &start, settings)
}

/// Where the refinement starts.
struct Start {
    nominal: f64,
    frequency: f64,
    highest: usize,
    cost: f64,
}

/// Steps through 1 % about the nominal frequency with the lowest orders.
fn coarse(x: &[f64], weights: &[f64], nominal: f64, settings: &FitSettings) -> Option<Start> {
    let rate = settings.rate_hz;
    let cycles = x.len() as f64 / rate * nominal;
    let highest = settings
        .highest_order
        .min((0.49 * rate / nominal) as usize)
        .min(MOST_ORDERS)
        .min(x.len().saturating_sub(8) / 6);
    if highest == 0 || cycles < 1.0 {
        return None;
    }
    let few: Vec<usize> = if cycles < FEW_CYCLES {
        (1..=highest).collect()
    } else {
        (1..=highest.min(LOWEST_ORDERS)).collect()
    };
    let used = weights.iter().sum::<f64>();
    let spread = GRID_SPREAD * nominal;
    (-12..=12)
        .map(|i| {
            let frequency = nominal * (1.0 + 0.01 * f64::from(i) / 12.0);
            let joint = Joint::solve(x, weights, rate, frequency, &few, None);
            Start {
                nominal,
                frequency,
                highest,
                cost: used * joint.squares.max(1e-300).ln()
                    + ((frequency - nominal) / spread).powi(2),
            }
        })
        .min_by(|a, b| a.cost.total_cmp(&b.cost))
}

/// Settles frequency, orders and the samples to leave out.
fn refine(
    x: &[f64],
    mut weights: Vec<f64>,
    missing: Option<&[f32]>,
    start: &Start,
    settings: &FitSettings,
) -> Fit {
    const ROUNDS: usize = 3;
    let (rate, nominal, highest) = (settings.rate_hz, start.nominal, start.highest);
    let cycles = x.len() as f64 / rate * nominal;
    let spread = GRID_SPREAD * nominal;
    let settle = |weights: &[f64], orders: &[usize], mut frequency: f64| {
        for _ in 0..4 {
            let joint = Joint::solve(x, weights, rate, frequency, orders, Some((nominal, spread)));
            frequency = (frequency + joint.frequency_step).clamp(0.99 * nominal, 1.01 * nominal);
        }
        frequency
    };
    let mut orders: Vec<usize> = (1..=highest.min(LOWEST_ORDERS)).collect();
    let mut frequency = start.frequency;
    let mut false_alarm = 1.0;
    for round in 0..ROUNDS {
        frequency = settle(&weights, &orders, frequency);
        let every: Vec<usize> = (1..=highest).collect();
        let full = Joint::solve(x, &weights, rate, frequency, &every, None);
        let far = far_samples(
            &full.residual,
            missing,
            (rate / nominal) as usize,
            round == 0,
        );
        let any = far.iter().any(|f| *f);
        if any && round + 1 < ROUNDS {
            for (i, w) in weights.iter_mut().enumerate() {
                let there = missing.map_or(1.0, |m| f64::from(m[i]));
                *w = if far[i] { 0.0 } else { there };
            }
        }
        let strengths = full.strengths(&weights, rate, nominal, cycles);
        let chance = |(ratio, degrees): (f64, f64)| (1.0 + ratio / degrees).powf(-degrees);
        let lowest = strengths
            .iter()
            .take(3)
            .map(|r| chance(*r))
            .fold(1.0, f64::min);
        false_alarm = (6.0 * lowest).min(1.0);
        let strict = 0.01 / highest as f64;
        let top = strengths
            .iter()
            .rposition(|r| chance(*r) < strict)
            .map_or(0, |k| k + 1);
        orders = every
            .into_iter()
            .filter(|k| {
                let p = chance(strengths[k - 1]);
                p < strict || (*k <= top + 4 && p < 0.03)
            })
            .collect();
        if orders.is_empty() || (round > 0 && !any) {
            break;
        }
    }
    let barred = settings.barred(frequency, 0.0, x.len() as f64 / rate);
    orders.retain(|k| !barred.contains(k));
    if false_alarm > 0.01 || orders.is_empty() {
        return Fit::default();
    }
    frequency = settle(&weights, &orders, frequency);
    let joint = Joint::solve(x, &weights, rate, frequency, &orders, None);
    let count = orders.len();
    let free = weights.iter().sum::<f64>() - 2.0 * count as f64 - 3.0;
    Fit {
        lines: Vec::new(),
        model: HumModel {
            edges: vec![0, x.len()],
            phase: vec![0.0, frequency * x.len() as f64 / rate],
            piece: vec![0],
            constants: vec![joint.amplitudes],
            gain: vec![1.0; 2],
            deviations: vec![Vec::new(); count],
            orders,
        },
        noise: vec![4.0 * joint.squares / free.max(1.0); count],
        parameters: vec![1.5; count],
    }
}

/// A solved joint fit.
#[derive(Default)]
struct Joint {
    amplitudes: Vec<Complex64>,
    residual: Vec<f64>,
    /// Weighted sum of squared residuals.
    squares: f64,
    frequency_step: f64,
}

impl Joint {
    /// Weighted least squares; with `prior` (centre, spread) the frequency is stepped as well.
    fn solve(
        x: &[f64],
        weights: &[f64],
        rate: f64,
        frequency: f64,
        orders: &[usize],
        prior: Option<(f64, f64)>,
    ) -> Self {
        let n = x.len();
        let mut columns: Vec<Vec<f64>> = vec![
            vec![1.0; n],
            (0..n).map(|i| 2.0 * i as f64 / n as f64 - 1.0).collect(),
        ];
        for &k in orders {
            let step = Complex64::from_polar(1.0, 2.0 * PI * k as f64 * frequency / rate);
            let mut turn = Complex64::new(1.0, 0.0);
            let (mut cosine, mut sine) = (Vec::with_capacity(n), Vec::with_capacity(n));
            for _ in 0..n {
                cosine.push(turn.re);
                sine.push(-turn.im);
                turn *= step;
            }
            columns.push(cosine);
            columns.push(sine);
        }
        let coefficients = least_squares(&columns, x, weights, &[]);
        let mut joint = Self::from_coefficients(&columns, x, weights, &coefficients);
        if let Some((centre, spread)) = prior {
            // d/df of Re a exp(j 2π k f t) about the record's middle.
            let middle = 0.5 * n as f64;
            let slope: Vec<f64> = (0..n)
                .map(|i| {
                    let t = 2.0 * PI * (i as f64 - middle) / rate;
                    orders
                        .iter()
                        .zip(&joint.amplitudes)
                        .zip(columns[2..].chunks(2))
                        .map(|((k, a), c)| -t * *k as f64 * (a.im * c[0][i] - a.re * c[1][i]))
                        .sum()
                })
                .collect();
            let noise = joint.squares / (n as f64 - columns.len() as f64).max(1.0);
            let pull = noise / (spread * spread);
            columns.push(slope);
            let last = columns.len() - 1;
            let ridge = [(last, pull, pull * (centre - frequency))];
            let coefficients = least_squares(&columns, x, weights, &ridge);
            joint.frequency_step = coefficients[last];
        }
        joint
    }

    fn from_coefficients(
        columns: &[Vec<f64>],
        x: &[f64],
        weights: &[f64],
        coefficients: &[f64],
    ) -> Self {
        let mut residual = x.to_vec();
        for (column, c) in columns.iter().zip(coefficients) {
            for (r, v) in residual.iter_mut().zip(column) {
                *r -= c * v;
            }
        }
        let squares = residual.iter().zip(weights).map(|(r, w)| w * r * r).sum();
        Self {
            amplitudes: coefficients[2..]
                .chunks(2)
                .map(|c| Complex64::new(c[0], c[1]))
                .collect(),
            residual,
            squares,
            frequency_step: 0.0,
        }
    }

    /// Power of each order's amplitude over that of the noise beside it, and that noise's degrees of
    /// freedom in pairs: the fewer the cycles, the wider the neighbourhood.
    fn strengths(&self, weights: &[f64], rate: f64, nominal: f64, cycles: f64) -> Vec<(f64, f64)> {
        let reach = (6.0 / (cycles - 1.0).max(0.1)).clamp(2.5, 12.0);
        let n = self.residual.len();
        let size = (2 * n).next_power_of_two();
        let mut spectrum: Vec<Complex64> = self
            .residual
            .iter()
            .zip(weights)
            .map(|(r, w)| Complex64::new(r * w, 0.0))
            .collect();
        spectrum.resize(size, Complex64::default());
        FftPlanner::new()
            .plan_fft_forward(size)
            .process(&mut spectrum);
        let per_hz = size as f64 / rate;
        // The fit has taken one of `cycles` parts of the noise out of the residual.
        let kept = (1.0 - 1.0 / cycles).max(0.15);
        self.amplitudes
            .iter()
            .enumerate()
            .map(|(i, a)| {
                let centre = (i + 1) as f64 * nominal;
                let low = ((centre - reach * nominal).max(0.5 * nominal) * per_hz) as usize;
                let high = (((centre + reach * nominal) * per_hz) as usize).min(size / 2);
                let mean = spectrum[low..high.max(low + 1)]
                    .iter()
                    .map(Complex64::norm_sqr)
                    .sum::<f64>()
                    / (high.max(low + 1) - low) as f64;
                let variance = 4.0 * mean / kept / (n as f64 * n as f64);
                let pairs = (high.max(low + 1) - low) as f64 / per_hz / nominal * (cycles - 1.0);
                (a.norm_sqr() / variance.max(1e-300), (0.8 * pairs).max(1.5))
            })
            .collect()
    }
}

/// Weighted normal equations; `ridge` adds (column, weight, weight × target).
fn least_squares(
    columns: &[Vec<f64>],
    x: &[f64],
    weights: &[f64],
    ridge: &[(usize, f64, f64)],
) -> Vec<f64> {
    let p = columns.len();
    let weighted: Vec<Vec<f64>> = columns
        .iter()
        .map(|c| c.iter().zip(weights).map(|(v, w)| v * w).collect())
        .collect();
    let mut right = vec![0.0; p];
    let mut matrix = vec![0.0; p * p];
    // Stretch by stretch, so that all columns' parts stay at hand.
    for from in (0..x.len()).step_by(STRETCH) {
        let part = from..(from + STRETCH).min(x.len());
        vectorised(
            #[inline(always)]
            || {
                for (i, own) in weighted.iter().enumerate() {
                    let own = &own[part.clone()];
                    right[i] += dot(own, &x[part.clone()]);
                    for (sum, column) in matrix[i * p..=i * p + i].iter_mut().zip(columns) {
                        *sum += dot(own, &column[part.clone()]);
                    }
                }
            },
        );
    }
    // Columns that the record hardly tells apart share what they explain.
    for lift in [1e-12, 1e-9, 1e-6] {
        let (mut a, mut b) = (matrix.clone(), right.clone());
        for (i, pull, target) in ridge {
            a[i * p + i] += pull;
            b[*i] += target;
        }
        for i in 0..p {
            a[i * p + i] *= 1.0 + lift;
        }
        if let Some(factor) = Cholesky::new(p, a) {
            factor.solve(&mut b);
            return b;
        }
    }
    vec![0.0; p]
}

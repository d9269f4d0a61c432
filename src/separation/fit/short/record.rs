//! Records of a few cycles: one joint least-squares fit of level, slope, fundamental and harmonics.

use super::joint::{Blocks, Joint};
use crate::separation::fit::course::Course;
use crate::separation::fit::fitted::{Excess, Fit, Spent};
use crate::separation::fit::model::{HumModel, chance};
use crate::separation::fit::settings::{ENOUGH_HZ, FitSettings};
use crate::separation::fit::tracked::far_samples;
use crate::spectrum::{Decimator, fft};
use rustfft::num_complex::Complex64;

/// Standard deviation of a grid's frequency about its nominal value that the fit starts from
/// (common practice, no source), Hz per Hz of nominal.
const GRID_SPREAD: f64 = 0.002;
const MOST_ORDERS: usize = 120;
const LOWEST_ORDERS: usize = 8;

/// Fits level, slope and harmonics to a record too short for tracks.
///
/// Where the rate is high the fundamental is found on a copy of lower rate; the amplitudes are those of the
/// record itself in any case.
pub(crate) fn fit_short(
    x: &[f64],
    missing: Option<&[f32]>,
    course: &Course,
    settings: &FitSettings,
) -> Fit {
    let weights: Vec<f64> = (0..x.len())
        .map(|i| missing.map_or(1.0, |w| f64::from(w[i])))
        .collect();
    let record = Record {
        x,
        weights,
        missing,
        rate: settings.rate_hz,
        asked: settings.highest_order,
    };
    let factor = (settings.rate_hz / ENOUGH_HZ) as usize;
    let copy = (factor >= 2).then(|| lowered(&record, factor));
    let searched = match &copy {
        Some((x, weights)) => Record {
            x,
            weights: weights.clone(),
            missing: None,
            rate: settings.rate_hz / factor as f64,
            asked: settings.highest_order,
        },
        None => record.clone(),
    };
    if searched.highest(course.nominal_hz) == 0 {
        return Fit::default();
    }
    let Some(found) = searched.refine(course) else {
        return Fit::default();
    };
    let found = match copy {
        Some(_) => record.orders_at(course.nominal_hz, found.frequency),
        None => Some(found),
    };
    found.map_or_else(Fit::default, |found| record.fit(&found, settings))
}

/// A copy of lower rate of a record continued beyond its ends, and its weights.
fn lowered(record: &Record<'_>, factor: usize) -> (Vec<f64>, Vec<f64>) {
    let mut decimator = Decimator::new(factor);
    let beyond = decimator.first_centre().round() as usize;
    let n = record.x.len();
    let (first, last) = (record.x[0], record.x[n - 1]);
    // Point reflections, as far as the record goes.
    let before = (1..=beyond)
        .rev()
        .map(|i| 2.0 * first - record.x[i.min(n - 1)]);
    let after = (1..=beyond).map(|i| 2.0 * last - record.x[n - 1 - i.min(n - 1)]);
    let whole: Vec<f64> = before
        .chain(record.x.iter().copied())
        .chain(after)
        .collect();
    let mut low = Vec::with_capacity(n / factor + 2);
    decimator.push(&whole, &mut low);
    low.truncate(n.div_ceil(factor));
    let reach = 2 * factor;
    let weights = (0..low.len())
        .map(|m| {
            let near = (m * factor).saturating_sub(reach)..(m * factor + reach).min(n);
            let there = record.weights[near].iter().all(|w| *w > 0.0);
            if there { 1.0 } else { 0.0 }
        })
        .collect();
    (low, weights)
}

/// Fundamental, orders and weights that were settled on.
struct Found {
    frequency: f64,
    orders: Vec<usize>,
    weights: Vec<f64>,
}

/// Samples to be fitted.
#[derive(Clone)]
struct Record<'a> {
    x: &'a [f64],
    weights: Vec<f64>,
    missing: Option<&'a [f32]>,
    rate: f64,
    asked: usize,
}

impl Record<'_> {
    fn cycles(&self, nominal: f64) -> f64 {
        self.x.len() as f64 / self.rate * nominal
    }

    fn highest(&self, nominal: f64) -> usize {
        self.asked
            .min((0.49 * self.rate / nominal) as usize)
            .min(MOST_ORDERS)
            .min(self.x.len().saturating_sub(8) / 6)
    }

    fn blocks(&self, weights: &[f64], nominal: f64) -> Blocks {
        Blocks::new(
            self.x,
            weights,
            self.highest(nominal) as f64 * nominal / self.rate,
        )
    }

    /// Fundamental near `frequency` at which least is left, given what a grid's frequency is expected to be:
    /// vertices of parabolas. While the vertex lies beyond its reach, a step is not made smaller.
    fn settle(&self, blocks: &Blocks, orders: &[usize], nominal: f64, frequency: f64) -> f64 {
        const ROUNDS: usize = 16;
        const REFINEMENTS: usize = 4;
        let spread = GRID_SPREAD * nominal;
        let free = (blocks.used() - 2.0 * orders.len() as f64 - 3.0).max(1.0);
        let cost = |f: f64| {
            let joint = blocks.solve(f / self.rate, orders);
            free * joint.squares.max(1e-300).ln() + ((f - nominal) / spread).powi(2)
        };
        let top = orders.iter().max().copied().unwrap_or(1) as f64;
        let mut step = (0.1 * nominal / (self.cycles(nominal) * top.min(8.0))).min(0.001 * nominal);
        let mut best = frequency;
        let mut middle = cost(best);
        let mut refined = 0;
        for _ in 0..ROUNDS {
            let (left, right) = (cost(best - step), cost(best + step));
            let curvature = left + right - 2.0 * middle;
            let moved = if curvature > 0.0 {
                (0.5 * (left - right) / curvature).clamp(-2.0, 2.0)
            } else {
                2.0 * (left - right).signum()
            };
            let next = (best + moved * step).clamp(0.99 * nominal, 1.01 * nominal);
            let value = cost(next);
            let better = value <= middle;
            if better {
                (best, middle) = (next, value);
            }
            if moved.abs() < 1.0 || !better {
                step *= 0.2;
                refined += 1;
            }
            if refined == REFINEMENTS {
                break;
            }
        }
        best
    }

    /// Settles frequency, orders and the samples to leave out.
    fn refine(&self, course: &Course) -> Option<Found> {
        const ROUNDS: usize = 3;
        let nominal = course.nominal_hz;
        let highest = self.highest(nominal);
        let mut orders: Vec<usize> = (1..=highest.min(LOWEST_ORDERS)).collect();
        let mut frequency = course.mean_hz;
        let mut weights = self.weights.clone();
        let mut false_alarm = 1.0;
        for round in 0..ROUNDS {
            let blocks = self.blocks(&weights, nominal);
            frequency = self.settle(&blocks, &orders, nominal, frequency);
            let seen = self.look(&blocks, nominal, frequency, (&weights, round == 0));
            let any = seen.far.iter().any(|f| *f);
            if any && round + 1 < ROUNDS {
                self.leave_out(&seen.far, &mut weights);
            }
            (orders, false_alarm) = (seen.orders, seen.false_alarm);
            if orders.is_empty() || (round > 0 && !any) {
                break;
            }
        }
        if false_alarm > 0.01 || orders.is_empty() {
            return None;
        }
        let blocks = self.blocks(&weights, nominal);
        frequency = self.settle(&blocks, &orders, nominal, frequency);
        Some(Found {
            frequency,
            orders,
            weights,
        })
    }

    /// Orders and samples to leave out where the fundamental is known.
    fn orders_at(&self, nominal: f64, frequency: f64) -> Option<Found> {
        let mut weights = self.weights.clone();
        for round in 0..2 {
            let blocks = self.blocks(&weights, nominal);
            let seen = self.look(&blocks, nominal, frequency, (&weights, round == 0));
            let last = round == 1 || !seen.far.iter().any(|f| *f);
            if last && (seen.orders.is_empty() || seen.false_alarm > 0.01) {
                return None;
            }
            if last {
                return Some(Found {
                    frequency,
                    orders: seen.orders,
                    weights,
                });
            }
            self.leave_out(&seen.far, &mut weights);
        }
        None
    }

    fn leave_out(&self, far: &[bool], weights: &mut [f64]) {
        for (i, w) in weights.iter_mut().enumerate() {
            *w = if far[i] { 0.0 } else { self.weights[i] };
        }
    }

    /// Fits every order, and tells which stand out and which samples do.
    fn look(
        &self,
        blocks: &Blocks,
        nominal: f64,
        frequency: f64,
        (weights, peaks_only): (&[f64], bool),
    ) -> Seen {
        let highest = self.highest(nominal);
        let every: Vec<usize> = (1..=highest).collect();
        let full = blocks.solve(frequency / self.rate, &every);
        let residual = full.residual(self.x, frequency / self.rate, &every);
        let far = far_samples(
            &residual,
            self.missing,
            (self.rate / nominal) as usize,
            peaks_only,
        );
        let cycles = self.cycles(nominal);
        let strengths = strengths(&full, &residual, weights, (self.rate, nominal, cycles));
        let chance = |(ratio, pairs): (f64, f64)| chance(ratio, pairs);
        let lowest = strengths
            .iter()
            .take(3)
            .map(|r| chance(*r))
            .fold(1.0, f64::min);
        let strict = 0.01 / highest as f64;
        let top = strengths
            .iter()
            .rposition(|r| chance(*r) < strict)
            .map_or(0, |k| k + 1);
        let orders = every
            .into_iter()
            .filter(|k| {
                let p = chance(strengths[k - 1]);
                p < strict || (*k <= top + 4 && p < 0.03)
            })
            .collect();
        Seen {
            orders,
            far,
            false_alarm: (6.0 * lowest).min(1.0),
        }
    }

    /// The model of what was found, less the orders that must stay.
    fn fit(&self, found: &Found, settings: &FitSettings) -> Fit {
        let duration = self.x.len() as f64 / self.rate;
        let barred = settings.barred(found.frequency, 0.0, duration);
        let Some(top) = found.orders.iter().max() else {
            return Fit::default();
        };
        let nu = found.frequency / self.rate;
        let blocks = Blocks::new(self.x, &found.weights, *top as f64 * nu);
        // What must stay is fitted too: else it would be noise, and part of its neighbours.
        let joint = blocks.solve(nu, &found.orders);
        let free = blocks.used() - 2.0 * found.orders.len() as f64 - 3.0;
        let both = found.orders.iter().zip(&joint.amplitudes);
        let (orders, amplitudes): (Vec<usize>, Vec<Complex64>) =
            both.filter(|(k, _)| !barred.contains(k)).unzip();
        if orders.is_empty() {
            return Fit::default();
        }
        let count = orders.len();
        Fit {
            lines: Vec::new(),
            model: HumModel {
                edges: vec![0, self.x.len()],
                phase: vec![0.0, found.frequency * duration],
                piece: vec![0],
                constants: vec![amplitudes],
                gain: vec![1.0; 2],
                deviations: vec![Vec::new(); count],
                orders,
            },
            noise: vec![4.0 * joint.squares.max(0.0) / free.max(1.0); count],
            // All orders' noise is one figure.
            pairs: vec![0.5 * free.max(1.0) / count as f64; count],
            usual: Vec::new(),
            spent: Spent {
                orders: vec![1.0; count],
                gain: 0.0,
            },
            // Frequency, and what level and slope take along.
            track_parameters: 2.0,
            excess: Excess::default(),
            others: Vec::new(),
        }
    }
}

/// What a fit of every order shows.
struct Seen {
    orders: Vec<usize>,
    far: Vec<bool>,
    /// Probability that a record without mains shows as much.
    false_alarm: f64,
}

/// Power of each order's amplitude over that of the noise beside it, and that noise's degrees of
/// freedom in pairs: the fewer the cycles, the wider the neighbourhood.
fn strengths(
    joint: &Joint,
    residual: &[f64],
    weights: &[f64],
    (rate, nominal, cycles): (f64, f64, f64),
) -> Vec<(f64, f64)> {
    let reach = (6.0 / (cycles - 1.0).max(0.1)).clamp(2.5, 12.0);
    let n = residual.len();
    let size = (2 * n).next_power_of_two();
    let mut spectrum: Vec<Complex64> = residual
        .iter()
        .zip(weights)
        .map(|(r, w)| Complex64::new(r * w, 0.0))
        .collect();
    spectrum.resize(size, Complex64::default());
    fft::forward_complex(size).process(&mut spectrum);
    let per_hz = size as f64 / rate;
    // The fit has taken one of `cycles` parts of the noise out of the residual.
    let kept = (1.0 - 1.0 / cycles).max(0.15);
    joint
        .amplitudes
        .iter()
        .enumerate()
        .map(|(i, a)| {
            let centre = (i + 1) as f64 * nominal;
            let low = ((centre - reach * nominal).max(0.5 * nominal) * per_hz) as usize;
            let high = (((centre + reach * nominal) * per_hz) as usize).min(size / 2);
            let low = low.min(size / 2 - 1);
            let near = &spectrum[low..high.max(low + 1)];
            let mean = near.iter().map(Complex64::norm_sqr).sum::<f64>() / near.len() as f64;
            let variance = 4.0 * mean / kept / (n as f64 * n as f64);
            let pairs = near.len() as f64 / per_hz / nominal * (cycles - 1.0);
            (a.norm_sqr() / variance.max(1e-300), (0.8 * pairs).max(1.5))
        })
        .collect()
}

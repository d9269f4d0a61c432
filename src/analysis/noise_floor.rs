//! The noise density with what the lines covered filled at their neighbours' level.

use crate::spectrum::{Density, Tapers};

/// Share of a bin's noise above which it counts as covered by lines.
const COVERED: f64 = 0.7;

/// A line that was fitted and taken out before the density was estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RemovedLine {
    /// Frequency, Hz.
    pub(super) frequency_hz: f64,
    /// Length of the stretches over which its amplitude was fitted, s.
    pub(super) fitted_over_s: f64,
    /// Leaves a scar beyond the fitted cell (a Hann-weighted fit, a moving line): covered that
    /// many Hz either side.
    pub(super) covers_hz: f64,
}

/// One-sided noise density on an even grid, with the weight of each bin.
#[derive(Debug, Clone)]
pub(super) struct NoiseFloor {
    pub(super) bin_hz: f64,
    /// V²/Hz at `b·bin_hz`.
    pub(super) density: Vec<f64>,
    /// Usable share of each bin's degrees of freedom, 0 where it was filled.
    pub(super) weight: Vec<f64>,
    /// Degrees of freedom of one free bin.
    pub(super) bin_dof: f64,
    tapers: f64,
}

impl NoiseFloor {
    /// From the residual's density, with the shares that the fits took out given back.
    pub(super) fn new(estimator: &dyn Tapers, residual: &Density, lines: &[RemovedLine]) -> Self {
        let bin_hz = residual.bin_hz;
        let raw = residual.mean();
        let mut share = vec![0.0; raw.len()];
        // Offset and drift of each record: two real parameters about 0 Hz.
        let reach = estimator.count() as f64 + 2.0;
        for (b, value) in share.iter_mut().enumerate().take(reach as usize + 1) {
            let b = b as f64;
            *value +=
                estimator.share(b) + 0.5 * (estimator.share(b - 0.5) + estimator.share(b + 0.5));
        }
        let record_s = 1.0 / bin_hz;
        for line in lines {
            let centre = line.frequency_hz / bin_hz;
            let ratio = record_s / line.fitted_over_s;
            let reach = (reach * ratio.max(1.0)).max(line.covers_hz / bin_hz) + 1.0;
            let from = (centre - reach).max(0.0) as usize;
            let to = ((centre + reach) as usize).min(raw.len().saturating_sub(1));
            for (b, value) in share.iter_mut().enumerate().take(to + 1).skip(from) {
                let distance = b as f64 - centre;
                if distance.abs() * bin_hz <= line.covers_hz {
                    *value = 1.0;
                } else if ratio < 1.5 {
                    *value += estimator.share(distance);
                } else {
                    // Fitted over shorter stretches than the record: one sinc² of their width.
                    let x = std::f64::consts::PI * distance / ratio;
                    *value += if x.abs() < 1e-9 {
                        1.0
                    } else {
                        (x.sin() / x).powi(2)
                    };
                }
            }
        }
        let weight: Vec<f64> = share
            .iter()
            .map(|&s| if s > COVERED { 0.0 } else { 1.0 - s })
            .collect();
        let mut floor = Self {
            bin_hz,
            density: Vec::with_capacity(raw.len()),
            weight,
            bin_dof: 2.0 * residual.records as f64,
            tapers: residual.tapers as f64,
        };
        let sums = RunningSums::new(&raw, &floor.weight);
        floor.density = (0..raw.len())
            .map(|b| {
                if floor.weight[b] > 0.0 {
                    raw[b] / floor.weight[b]
                } else {
                    sums.neighbours(b)
                }
            })
            .collect();
        floor
    }

    /// The same at `factor` times the density.
    pub(super) fn raised(mut self, factor: f64) -> Self {
        for value in &mut self.density {
            *value *= factor;
        }
        self
    }

    /// Tapers of the estimate.
    pub(super) fn tapers(&self) -> f64 {
        self.tapers
    }

    /// Frequency at which a 1/f rise meets the level above it, where the lowest decade stands at
    /// least 6 dB above the middle of the spectrum.
    pub(super) fn corner_hz(&self) -> Option<f64> {
        let top = (self.density.len() - 1) as f64 * self.bin_hz;
        let (white, _) = self.mean_between(0.2 * top, 0.6 * top)?;
        let (lowest, dof) = self.mean_between(self.bin_hz, 4.0 * self.bin_hz)?;
        if dof < 6.0 || lowest < 4.0 * white {
            return None;
        }
        // From low to high in steps of a fifth of an octave: where the mean falls below twice the level.
        let mut f = self.bin_hz;
        while f < 0.2 * top {
            let next = (f * 1.15).max(f + 3.0 * self.bin_hz);
            if let Some((mean, _)) = self.mean_between(f, next)
                && mean < 2.0 * white
            {
                return Some((f * next).sqrt());
            }
            f = next;
        }
        None
    }

    fn bin_range(&self, low_hz: f64, high_hz: f64) -> (usize, usize) {
        let last = self.density.len().saturating_sub(1);
        let from = (low_hz / self.bin_hz).ceil().max(1.0) as usize;
        let to = ((high_hz / self.bin_hz).floor().max(0.0) as usize).min(last);
        (from, to)
    }

    /// Mean density over the usable bins between two frequencies and its degrees of freedom.
    pub(super) fn mean_between(&self, low_hz: f64, high_hz: f64) -> Option<(f64, f64)> {
        let (from, to) = self.bin_range(low_hz, high_hz);
        if from > to {
            return None;
        }
        let (mut sum, mut weight) = (0.0, 0.0);
        for b in from..=to {
            sum += self.weight[b] * self.density[b];
            weight += self.weight[b];
        }
        (weight > 0.5).then(|| {
            (
                sum / weight,
                self.bin_dof * weight / (1.0 + 0.5 / self.tapers),
            )
        })
    }

    /// Level beside a frequency from what lies on both sides, and its degrees of freedom.
    ///
    /// The geometric mean of the two sides' means, so that a density falling as a power of
    /// frequency is met.
    pub(super) fn level_at(&self, frequency_hz: f64, fundamental_hz: f64) -> (f64, f64) {
        let top = self.density.len() as f64 * self.bin_hz;
        let start = (8.0 * self.bin_hz)
            .max(0.75 * fundamental_hz)
            .max(0.1 * frequency_hz);
        for attempt in 0..10 {
            let reach = start * 1.5f64.powi(attempt);
            // Towards 0 Hz a density may rise steeply: no further down than needed.
            let below = if attempt == 0 { 0.45 } else { 0.95 } * frequency_hz;
            let left = self.mean_between(frequency_hz - reach.min(below), frequency_hz);
            let right = self.mean_between(frequency_hz, frequency_hz + reach);
            let sides = (left.filter(|l| l.0 > 0.0), right.filter(|r| r.0 > 0.0));
            match sides {
                (Some((l, dl)), Some((r, dr))) if dl >= 3.0 && dr >= 3.0 && dl + dr >= 8.0 => {
                    // Variance of a log mean is 2/ν; of the geometric mean a quarter of the sum.
                    return ((l * r).sqrt(), 4.0 / (1.0 / dl + 1.0 / dr));
                }
                (_, Some((r, dr))) if dr >= 8.0 && attempt >= 2 => return (r, dr),
                (Some((l, dl)), _) if dl >= 8.0 && frequency_hz + reach > top => return (l, dl),
                _ => {}
            }
        }
        self.mean_between(0.0, top).unwrap_or((0.0, 2.0))
    }

    /// Density that leaks into an unweighted fit over `fitted_over_s` at a frequency from beyond three
    /// of its cells: the mean of the Fejér kernel's side lobes, 1/(2π²TΔ²).
    pub(super) fn leakage_at(&self, frequency_hz: f64, fitted_over_s: f64) -> f64 {
        let near = 3.0 / fitted_over_s;
        // Offset and drift are fitted: what lies below one cell does not leak.
        let first = (1.0 / (fitted_over_s * self.bin_hz)).ceil().max(1.0) as usize;
        // Eight sums side by side, for the vector registers.
        let mut sums = [0.0; 8];
        let mut bin = first;
        for values in self.density.get(first..).unwrap_or(&[]).chunks(sums.len()) {
            for (i, (sum, s)) in sums.iter_mut().zip(values).enumerate() {
                let distance = (bin + i) as f64 * self.bin_hz - frequency_hz;
                let far = distance.abs() > near;
                *sum += if far { s / (distance * distance) } else { 0.0 };
            }
            bin += sums.len();
        }
        let sum: f64 = sums.iter().sum();
        let level = self.level_at(frequency_hz, 0.0).0;
        // White noise itself has 1/(3π²) beyond three cells on both sides: that is in the level already.
        let own = level / (std::f64::consts::PI.powi(2) * fitted_over_s * near);
        (sum * self.bin_hz / (2.0 * std::f64::consts::PI.powi(2) * fitted_over_s) - own).max(0.0)
    }

    /// Noise power between exact edges (partial bins), and its degrees of freedom.
    pub(super) fn power_between(&self, low_hz: f64, high_hz: f64) -> (f64, f64) {
        let (mut power, mut squares, mut usable, mut covered) = (0.0, 0.0, 0.0, 0.0);
        let from = (low_hz / self.bin_hz - 0.5).floor().max(0.0) as usize;
        for b in from..self.density.len() {
            let (left, right) = (
                (b as f64 - 0.5).max(0.0) * self.bin_hz,
                (b as f64 + 0.5) * self.bin_hz,
            );
            if left >= high_hz {
                break;
            }
            let top = (self.density.len() - 1) as f64 * self.bin_hz;
            let right = if b + 1 == self.density.len() {
                right.min(top.max(left))
            } else {
                right
            };
            let width = (right.min(high_hz) - left.max(low_hz)).max(0.0);
            let part = self.density[b] * width;
            power += part;
            squares += part * part / width.max(f64::MIN_POSITIVE) * self.bin_hz;
            usable += self.weight[b] * part * part;
            covered += part * part;
        }
        if squares <= 0.0 {
            return (power, self.bin_dof);
        }
        // Independent bins: (ΣP)²/ΣP², the scatter of single bins taken off the squares, widened by the
        // tapers' own bandwidth, less what lines took.
        let scatter = 1.0 + 2.0 / (self.bin_dof * self.tapers);
        let bins = power * power / squares * scatter + self.tapers;
        let share = if covered > 0.0 {
            (usable / covered).max(1e-3)
        } else {
            1.0
        };
        (
            power,
            self.bin_dof * bins * share / (1.0 + 0.5 / self.tapers),
        )
    }

    /// Mean density of the lowest usable bins, and its degrees of freedom.
    pub(super) fn lowest(&self) -> (f64, f64) {
        let (mut sum, mut weight) = (0.0, 0.0);
        for b in (1..self.density.len())
            .filter(|&b| self.weight[b] > 0.3)
            .take(14)
        {
            sum += self.density[b] * self.weight[b];
            weight += self.weight[b];
        }
        if weight > 0.0 {
            let dof = self.bin_dof * weight / (1.0 + 0.5 / self.tapers);
            (sum / weight, dof.max(1.0))
        } else {
            self.mean_between(0.0, self.density.len() as f64 * self.bin_hz)
                .unwrap_or((0.0, 1.0))
        }
    }
}

/// Running sums of a density and its weights, to fill a covered bin from both sides.
struct RunningSums {
    values: Vec<f64>,
    weights: Vec<f64>,
}

impl RunningSums {
    fn new(raw: &[f64], weight: &[f64]) -> Self {
        let run = |terms: &mut dyn Iterator<Item = f64>| {
            let mut sum = 0.0;
            std::iter::once(0.0)
                .chain(terms.map(|t| {
                    sum += t;
                    sum
                }))
                .collect::<Vec<f64>>()
        };
        Self {
            values: run(&mut raw
                .iter()
                .zip(weight)
                .map(|(v, &w)| if w > 0.0 { *v } else { 0.0 })),
            weights: run(&mut weight.iter().copied()),
        }
    }

    /// Σ values / Σ weights over the nearest stretch that holds enough on each side.
    fn neighbours(&self, bin: usize) -> f64 {
        let count = self.weights.len() - 1;
        let mut reach = 3;
        loop {
            let (from, to) = (bin.saturating_sub(reach), (bin + reach + 1).min(count));
            let left = self.weights[bin] - self.weights[from];
            let right = self.weights[to] - self.weights[bin];
            let whole = from == 0 && to == count;
            if (left >= 2.0 || from == 0) && (right >= 2.0 || to == count) && left + right >= 3.0
                || whole
            {
                let weight = self.weights[to] - self.weights[from];
                return if weight > 0.0 {
                    (self.values[to] - self.values[from]) / weight
                } else {
                    0.0
                };
            }
            reach += 1 + reach / 4;
        }
    }
}

//! The noise density with what the lines covered filled at their neighbours' level.

use super::running_sums::RunningSums;
use super::skirts::cover;
use crate::numeric::vectorised;
use crate::spectrum::{Density, Tapers};
use std::f64::consts::PI;
use std::ops::Range;

/// Degrees of freedom of one bin of two tapers: a level that moves leaves no less, since some of its record is noise.
const LEAST_DOF: f64 = 3.2;
/// Share of a bin's noise above which it counts as covered by lines.
const COVERED: f64 = 0.7;

/// A line that was fitted and taken out before the density was estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RemovedLine {
    /// Frequency, Hz.
    pub(crate) frequency_hz: f64,
    /// Length of the stretches over which its amplitude was fitted, s.
    pub(crate) fitted_over_s: f64,
    /// Leaves a scar beyond the fitted cell (a Hann-weighted fit, a moving line): covered that
    /// many Hz either side.
    pub(crate) covers_hz: f64,
}

/// One-sided noise density on an even grid, with the weight of each bin.
#[derive(Debug, Clone)]
pub(crate) struct NoiseFloor {
    pub(crate) bin_hz: f64,
    /// V²/Hz at `b·bin_hz`.
    pub(crate) density: Vec<f64>,
    /// Usable share of each bin's degrees of freedom, 0 where it was filled.
    pub(crate) weight: Vec<f64>,
    /// Degrees of freedom of one free bin.
    pub(crate) bin_dof: f64,
    tapers: f64,
    /// Variance of the level over that of noise whose level stays.
    pub(crate) dispersion: f64,
    /// Share of the power that most of time and frequencies agree on.
    pub(crate) bulk: f64,
}

impl NoiseFloor {
    /// From the residual's density, with the shares that the fits took out given back.
    pub(crate) fn new(estimator: &dyn Tapers, residual: &Density, lines: &[RemovedLine]) -> Self {
        let weight = free_weight(estimator, residual, lines);
        Self::weighed(residual, weight)
    }

    /// The same without what lines that move have left beside themselves.
    pub(crate) fn beside_skirts(
        estimator: &dyn Tapers,
        residual: &Density,
        lines: &[RemovedLine],
    ) -> Self {
        let mut weight = free_weight(estimator, residual, lines);
        let centres = lines.iter().map(|l| l.frequency_hz / residual.bin_hz);
        let centres: Vec<f64> = centres.filter(|c| *c > 0.0).collect();
        cover(residual, &mut weight, &centres);
        Self::weighed(residual, weight)
    }

    fn weighed(residual: &Density, weight: Vec<f64>) -> Self {
        let raw = residual.mean();
        let mut floor = Self {
            bin_hz: residual.bin_hz,
            density: Vec::with_capacity(raw.len()),
            weight,
            bin_dof: 2.0 * residual.records as f64,
            tapers: residual.tapers as f64,
            dispersion: 1.0,
            bulk: 1.0,
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
    pub(crate) fn raised(mut self, factor: f64) -> Self {
        for value in &mut self.density {
            *value *= factor;
        }
        self
    }

    /// The density drawn together over several widths of the tapers and an eighth of the frequency.
    pub(crate) fn smoothed(&self) -> Vec<f64> {
        let even = vec![1.0; self.density.len()];
        let sums = RunningSums::new(&self.density, &even);
        (0..self.density.len())
            .map(|b| sums.mean_about(b, 2 * self.tapers as usize + b / 16))
            .collect()
    }

    /// Tapers of the estimate.
    pub(crate) fn tapers(&self) -> f64 {
        self.tapers
    }

    /// Frequency at which a 1/f rise meets the level above it, where the lowest decade stands at
    /// least 6 dB above the middle of the spectrum.
    pub(crate) fn corner_hz(&self) -> Option<f64> {
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
    pub(crate) fn mean_between(&self, low_hz: f64, high_hz: f64) -> Option<(f64, f64)> {
        let (from, to) = self.bin_range(low_hz, high_hz);
        if from > to {
            return None;
        }
        const LANES: usize = 4;
        let (weights, last_weights) = self.weight[from..=to].as_chunks::<LANES>();
        let (values, last_values) = self.density[from..=to].as_chunks::<LANES>();
        let (mut sums, mut shares) = ([0.0; LANES], [0.0; LANES]);
        for (w, d) in weights.iter().zip(values) {
            for i in 0..LANES {
                sums[i] += w[i] * d[i];
                shares[i] += w[i];
            }
        }
        let (mut sum, mut weight) = (sums.iter().sum::<f64>(), shares.iter().sum::<f64>());
        for (w, d) in last_weights.iter().zip(last_values) {
            sum += w * d;
            weight += w;
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
    pub(crate) fn level_at(&self, frequency_hz: f64, fundamental_hz: f64) -> (f64, f64) {
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

    /// What leaks into an unweighted fit over `fitted_over_s`.
    pub(crate) fn leakage(&self, fitted_over_s: f64) -> Leakage<'_> {
        Leakage::new(self, fitted_over_s)
    }

    /// Noise power between exact edges (partial bins), and its degrees of freedom.
    pub(crate) fn power_between(&self, low_hz: f64, high_hz: f64) -> (f64, f64) {
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
        let share = if covered > 0.0 { usable / covered } else { 1.0 };
        // What was filled stands at the level of neighbours, of which the tapers average as many bins at least.
        let bins = (bins * share).max(self.tapers);
        let dof = self.bin_dof * bins / (1.0 + 0.5 / self.tapers);
        (power, (dof / self.dispersion).max(dof.min(LEAST_DOF)))
    }

    /// Mean density of the lowest usable bins, and its degrees of freedom.
    pub(crate) fn lowest(&self) -> (f64, f64) {
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

/// Usable share of each bin: what the fits took out is not.
fn free_weight(estimator: &dyn Tapers, residual: &Density, lines: &[RemovedLine]) -> Vec<f64> {
    let bin_hz = residual.bin_hz;
    let mut share = vec![0.0; residual.values.len()];
    // Offset and drift of each record: two real parameters about 0 Hz.
    let reach = estimator.count() as f64 + 2.0;
    for (b, value) in share.iter_mut().enumerate().take(reach as usize + 1) {
        let b = b as f64;
        *value += estimator.share(b) + 0.5 * (estimator.share(b - 0.5) + estimator.share(b + 0.5));
    }
    let record_s = 1.0 / bin_hz;
    for line in lines {
        let centre = line.frequency_hz / bin_hz;
        let ratio = record_s / line.fitted_over_s;
        let reach = (reach * ratio.max(1.0)).max(line.covers_hz / bin_hz) + 1.0;
        let from = (centre - reach).max(0.0) as usize;
        let to = ((centre + reach) as usize).min(residual.values.len().saturating_sub(1));
        if from > to {
            continue;
        }
        if ratio < 1.5 {
            estimator.add_shares(from as f64 - centre, &mut share[from..=to]);
        }
        for (b, value) in share.iter_mut().enumerate().take(to + 1).skip(from) {
            let distance = b as f64 - centre;
            if distance.abs() * bin_hz <= line.covers_hz {
                *value = 1.0;
            } else if ratio >= 1.5 {
                // Fitted over shorter stretches than the record: one sinc² of their width.
                let x = PI * distance / ratio;
                *value += if x.abs() < 1e-9 {
                    1.0
                } else {
                    (x.sin() / x).powi(2)
                };
            }
        }
    }
    share
        .iter()
        .map(|&s| if s > COVERED { 0.0 } else { 1.0 - s })
        .collect()
}

/// Bins of one block of the leakage's far field, and terms of its expansion.
const BLOCK: usize = 32;
const TERMS: usize = 8;
/// Distance from a block's middle from which its expansion is used, in bins.
const FAR: f64 = 5.0 * BLOCK as f64 / 2.0;

/// Density that leaks into an unweighted fit at a frequency from beyond three of its cells: the mean of the
/// Fejér kernel's side lobes, 1/(2π²TΔ²).
///
/// Blocks of bins far away count by the moments of their density about their middle,
/// Σ s/(D+δ)² = Σ (−1)ʲ(j+1)·Σsδʲ/D^(j+2).
pub(crate) struct Leakage<'a> {
    floor: &'a NoiseFloor,
    fitted_over_s: f64,
    /// First bin: offset and drift are fitted, so that what lies below one cell does not leak.
    first: usize,
    /// (−1)ʲ(j+1)·Σs(2δ/[`BLOCK`])ʲ by block.
    moments: [Vec<f64>; TERMS],
}

impl<'a> Leakage<'a> {
    fn new(floor: &'a NoiseFloor, fitted_over_s: f64) -> Self {
        let first = (1.0 / (fitted_over_s * floor.bin_hz)).ceil().max(1.0) as usize;
        let values = floor.density.get(first..).unwrap_or(&[]);
        let mut moments: [Vec<f64>; TERMS] =
            std::array::from_fn(|_| Vec::with_capacity(values.len().div_ceil(BLOCK)));
        let places: [f64; BLOCK] = std::array::from_fn(|i| (2 * i + 1) as f64 / BLOCK as f64 - 1.0);
        vectorised(
            #[inline(always)]
            || {
                for block in values.chunks(BLOCK) {
                    let mut terms = [0.0; BLOCK];
                    terms[..block.len()].copy_from_slice(block);
                    let mut sign = 1.0;
                    for (j, moment) in moments.iter_mut().enumerate() {
                        let (lanes, _) = terms.as_chunks::<4>();
                        let mut sums = [0.0; 4];
                        for lane in lanes {
                            for i in 0..4 {
                                sums[i] += lane[i];
                            }
                        }
                        moment.push(sign * (j + 1) as f64 * sums.iter().sum::<f64>());
                        sign = -sign;
                        for (term, place) in terms.iter_mut().zip(&places) {
                            *term *= place;
                        }
                    }
                }
            },
        );
        Self {
            floor,
            fitted_over_s,
            first,
            moments,
        }
    }

    /// The density that leaks to a frequency.
    pub(crate) fn at(&self, frequency_hz: f64) -> f64 {
        let floor = self.floor;
        let place = frequency_hz / floor.bin_hz - self.first as f64;
        let near = 3.0 / (self.fitted_over_s * floor.bin_hz);
        let blocks = self.moments[0].len();
        let middle = 0.5 * (BLOCK - 1) as f64;
        let reach = FAR.max(near + BLOCK as f64);
        let block_at = |bin: f64| ((bin - middle) / BLOCK as f64).ceil().max(0.0) as usize;
        let from = block_at(place - reach).min(blocks);
        let to = block_at(place + reach).clamp(from, blocks);
        let sum = vectorised(
            #[inline(always)]
            || {
                let mut sums = [0.0; 8];
                self.add_far(0..from, middle - place, &mut sums);
                self.add_far(to..blocks, middle - place, &mut sums);
                let values = floor.density.get(self.first..).unwrap_or(&[]);
                let values = &values[from * BLOCK..(to * BLOCK).min(values.len())];
                let mut bin = (from * BLOCK) as f64 - place;
                for chunk in values.chunks(sums.len()) {
                    for (i, (sum, s)) in sums.iter_mut().zip(chunk).enumerate() {
                        let distance = bin + i as f64;
                        let far = distance.abs() > near;
                        *sum += if far { s / (distance * distance) } else { 0.0 };
                    }
                    bin += sums.len() as f64;
                }
                sums.iter().sum::<f64>()
            },
        );
        let level = floor.level_at(frequency_hz, 0.0).0;
        // White noise itself has 1/(3π²) beyond three cells on both sides: that is in the level already.
        let own = level / (3.0 * PI.powi(2));
        (sum / (floor.bin_hz * 2.0 * PI.powi(2) * self.fitted_over_s) - own).max(0.0)
    }

    /// The blocks' expansions, `first_middle` bins from the place to the middle of block 0.
    #[inline(always)]
    fn add_far(&self, blocks: Range<usize>, first_middle: f64, sums: &mut [f64; 8]) {
        let moments = self.moments.each_ref().map(|m| &m[blocks.clone()]);
        let count = blocks.len();
        let mut b = 0;
        while b < count {
            let lanes = (count - b).min(sums.len());
            for i in 0..lanes {
                let distance = first_middle + ((blocks.start + b + i) * BLOCK) as f64;
                let inverse = 1.0 / distance;
                let y = 0.5 * BLOCK as f64 * inverse;
                let mut value = 0.0;
                for moment in moments.iter().rev() {
                    value = value * y + moment[b + i];
                }
                sums[i] += value * inverse * inverse;
            }
            b += lanes;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Differential test of the expansions against the plain sum, on a density that falls by eight decades.
    #[test]
    fn leakage_is_the_plain_sum() {
        let density: Vec<f64> = (0..3001)
            .map(|b| (1.0 + f64::from(b)).powf(-2.2) * (1.0 + 0.5 * f64::from(b % 7)))
            .collect();
        let floor = NoiseFloor {
            bin_hz: 0.5,
            weight: vec![1.0; density.len()],
            density,
            bin_dof: 2.0,
            tapers: 5.0,
            dispersion: 1.0,
            bulk: 1.0,
        };
        for fitted_over_s in [2.0, 0.3, 0.02] {
            let leakage = floor.leakage(fitted_over_s);
            let first = (2.0 / fitted_over_s).ceil() as usize;
            for frequency_hz in [31.3, 50.0, 412.7, 1333.3] {
                let sum: f64 = (first..floor.density.len())
                    .map(|b| (floor.density[b], 0.5 * b as f64 - frequency_hz))
                    .filter(|(_, distance)| distance.abs() > 3.0 / fitted_over_s)
                    .map(|(s, distance)| s / (distance * distance))
                    .sum();
                let own = floor.level_at(frequency_hz, 0.0).0 / (3.0 * PI * PI);
                let expected = (sum * 0.5 / (2.0 * PI * PI * fitted_over_s) - own).max(0.0);
                assert_relative_eq!(leakage.at(frequency_hz), expected, max_relative = 1e-4);
            }
        }
    }
}

//! Short filters from other channels to a target, from their correlations.

use super::cross_spectra::CrossSpectra;
use crate::numeric::Cholesky;
use crate::spectrum::fft;
use crate::stats::median;
use rustfft::num_complex::Complex64;
use std::cmp::Ordering;

/// Longest lag between taps.
const LONGEST: i64 = 192;
/// Half-lengths of the filters tried.
const FILTER_HALVES: [i64; 7] = [0, 1, 2, 4, 8, 16, 32];

/// Taps applied to the other channel: output n is the sum of taps[i] × other[n - first - i].
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Filter {
    first: i64,
    pub(crate) taps: Vec<f64>,
}

impl Filter {
    /// Filters `other`; beyond its ends it is taken to go on at its first and last value.
    pub(crate) fn apply(&self, other: &[f64]) -> Vec<f64> {
        let last = other.len() as i64 - 1;
        (0..other.len() as i64)
            .map(|n| {
                let newest = n - self.first;
                let oldest = newest - self.taps.len() as i64 + 1;
                if oldest >= 0 && newest <= last {
                    let part = &other[oldest as usize..=newest as usize];
                    return self
                        .taps
                        .iter()
                        .zip(part.iter().rev())
                        .map(|(t, v)| t * v)
                        .sum();
                }
                self.taps
                    .iter()
                    .enumerate()
                    .map(|(i, t)| t * other[(newest - i as i64).clamp(0, last) as usize])
                    .sum()
            })
            .collect()
    }
}

/// Correlations of a target with other channels over a range of lags.
pub(crate) struct Correlations {
    longest: i64,
    samples: f64,
    target_power: f64,
    /// For each channel the sum of target[n] other[n - m], by m + longest.
    cross: Vec<Vec<f64>>,
    /// For each channel, and each up to itself, the sum of other[n] before[n - m], by m + longest.
    own: Vec<Vec<Vec<f64>>>,
}

impl Correlations {
    /// What a match left `unexplained` against `others`, every frequency by the inverse of what is left there; lines of
    /// one channel alone do not count. Lags are about `centres`.
    pub(crate) fn between(
        unexplained: &[f64],
        others: &[&[f64]],
        centres: &[i64],
        rate_hz: f64,
    ) -> Option<Self> {
        let moved: Vec<Vec<f64>> = others
            .iter()
            .zip(centres)
            .map(|(other, centre)| {
                let last = other.len() as i64 - 1;
                (0..=last)
                    .map(|n| other[(n - centre).clamp(0, last) as usize])
                    .collect()
            })
            .collect();
        let moved: Vec<&[f64]> = moved.iter().map(Vec::as_slice).collect();
        let spectra = CrossSpectra::new(unexplained, &moved, rate_hz);
        let bins = spectra.target.len();
        let size = 2 * (bins - 1);
        let lag = LONGEST as usize;
        if spectra.segments < 4 || size < 8 * lag {
            return None;
        }
        let weights = weights(&spectra.target);
        let mut target_power = 0.0;
        // Independent samples that the power, spread over the frequencies as it is, amounts to.
        let (mut sum, mut squares) = (0.0, 1e-300);
        for (w, power) in weights.iter().zip(&spectra.target).skip(1) {
            target_power += 2.0 * w * power;
            sum += w * power;
            squares += (w * power) * (w * power);
        }
        let even = sum * sum / squares / bins as f64;
        let lagged = |spectrum: &dyn Fn(usize) -> Complex64| -> Vec<f64> {
            let mut all = vec![Complex64::default(); size];
            for i in 1..bins {
                all[i] = spectrum(i) * weights[i];
                if i < size - i {
                    all[size - i] = all[i].conj();
                }
            }
            fft::inverse_complex(size).process(&mut all);
            let at = |m: i64| all[m.rem_euclid(size as i64) as usize].re;
            (-LONGEST..=LONGEST).map(at).collect()
        };
        let own = |j: usize| -> Vec<Vec<f64>> {
            let power = |i: usize| Complex64::new(spectra.others[j][i], 0.0);
            let before = spectra.between[j].iter();
            let mut all: Vec<Vec<f64>> = before.map(|b| lagged(&|i| b[i])).collect();
            all.push(lagged(&power));
            all
        };
        Some(Self {
            longest: LONGEST,
            samples: 0.5 * even * unexplained.len() as f64,
            target_power,
            cross: spectra.cross.iter().map(|c| lagged(&|i| c[i])).collect(),
            own: (0..others.len()).map(own).collect(),
        })
    }

    fn cross(&self, channel: usize, m: i64) -> f64 {
        self.cross[channel]
            .get((m + self.longest) as usize)
            .copied()
            .unwrap_or(0.0)
    }

    /// Sum of one channel's [n] by another's [n - m].
    fn own(&self, one: usize, other: usize, m: i64) -> f64 {
        let (later, before, m) = match one.cmp(&other) {
            Ordering::Less => (other, one, -m),
            Ordering::Equal => (one, one, m.abs()),
            Ordering::Greater => (one, other, m),
        };
        self.own[later][before]
            .get((m + self.longest) as usize)
            .copied()
            .unwrap_or(0.0)
    }

    /// The filters that the data support, one for each channel (Akaike 1974); `None` where none improve on nothing.
    pub(crate) fn filters(&self) -> Option<Vec<Filter>> {
        let dead = |channel: usize| self.own(channel, channel, 0) <= 0.0;
        if (0..self.cross.len()).any(dead) || self.target_power <= 0.0 {
            return None;
        }
        let mut best: Option<(f64, i64, Vec<f64>)> = None;
        for half in FILTER_HALVES {
            let each = (2 * half + 1) as usize;
            let taps = self.solve(half);
            let explained: f64 = taps
                .iter()
                .enumerate()
                .map(|(i, t)| t * self.cross(i / each, (i % each) as i64 - half))
                .sum::<f64>()
                / self.target_power;
            let cost = self.samples * (1.0 - explained).max(1e-15).ln() + 4.0 * taps.len() as f64;
            if best.as_ref().is_none_or(|(least, _, _)| cost < *least) {
                best = Some((cost, half, taps));
            }
        }
        // Seven are tried; one in a thousand may pass.
        let (_, half, taps) = best.filter(|(cost, _, _)| *cost < -18.0)?;
        let own = |taps: &[f64]| Filter {
            first: -half,
            taps: taps.to_vec(),
        };
        Some(taps.chunks((2 * half + 1) as usize).map(own).collect())
    }

    /// Taps of all channels, one after the other, from the normal equations; none where they are singular.
    fn solve(&self, half: i64) -> Vec<f64> {
        let each = (2 * half + 1) as usize;
        let size = each * self.cross.len();
        let mut taps: Vec<f64> = (0..size)
            .map(|i| self.cross(i / each, (i % each) as i64 - half))
            .collect();
        let mut matrix = vec![0.0; size * size];
        for i in 0..size {
            for j in 0..=i {
                let ridge = if i == j { 1.0 + 1e-9 } else { 1.0 };
                let lag = (i % each) as i64 - (j % each) as i64;
                matrix[i * size + j] = self.own(j / each, i / each, lag) * ridge;
            }
        }
        match Cholesky::new(size, matrix) {
            Some(factor) => factor.solve(&mut taps),
            None => taps.fill(0.0),
        }
        taps
    }
}

/// Weights of frequencies: the inverse of the neighbourhood's power, so that a line's skirt moves no other frequency;
/// what stands far above its neighbourhood, a line of one channel alone, does not count.
fn weights(powers: &[f64]) -> Vec<f64> {
    const REACH: usize = 32;
    const FAR: f64 = 9.0;
    let total: f64 = powers.iter().sum();
    let least = (1e-20 * total / powers.len() as f64).max(1e-300);
    (0..powers.len())
        .map(|i| {
            let near = i.saturating_sub(REACH)..(i + REACH + 1).min(powers.len());
            let usual = median(&mut powers[near].to_vec()).max(least);
            1.0 / usual / (1.0 + powers[i] / (FAR * usual)).powi(2)
        })
        .collect()
}

impl Filter {
    /// The same filter with its lags counted from 0 instead of from `centre`.
    pub(crate) fn moved(mut self, centre: i64) -> Self {
        self.first += centre;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separation::methods::channels::trials::{RATE_HZ, noise};

    fn power(x: &[f64]) -> f64 {
        x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64
    }

    #[test]
    fn taps_are_applied_and_the_ends_held() {
        let filter = Filter {
            first: -1,
            taps: vec![2.0, -0.5],
        };
        // 2 x[n + 1] - 0.5 x[n]
        assert_eq!(filter.apply(&[1.0, 3.0, 4.0]), [5.5, 6.5, 6.0]);
        // Two samples later: 2 x[n - 1] - 0.5 x[n - 2]
        assert_eq!(filter.moved(2).apply(&[1.0, 3.0, 4.0]), [1.5, 1.5, 5.5]);
    }

    /// Three taps and noise 40 dB below: what is left is that noise, and the taps' errors (7 / 40 000) below it.
    #[test]
    fn a_short_filter_is_found() {
        let other = noise(1, 40_000);
        let own = Filter {
            first: -1,
            taps: vec![0.2, 0.8, -0.3],
        };
        let strange = noise(2, 40_000);
        let target: Vec<f64> = own
            .apply(&other)
            .iter()
            .zip(&strange)
            .map(|(v, n)| v + 0.01 * n)
            .collect();
        let found = Correlations::between(&target, &[&other], &[0], RATE_HZ)
            .and_then(|c| c.filters())
            .unwrap()
            .remove(0);
        let left: Vec<f64> = target
            .iter()
            .zip(found.apply(&other))
            .map(|(a, b)| a - b)
            .collect();
        let over = power(&left) / 1e-4;
        assert!((0.95..1.1).contains(&over), "{over}");
    }

    /// Two channels that share a third of their power, each with taps of its own: what is left is the noise 40 dB below, and the taps'
    /// errors (14 / 40 000) below that.
    #[test]
    fn short_filters_are_found_at_once() {
        let (common, a, b) = (noise(21, 40_000), noise(22, 40_000), noise(23, 40_000));
        let with =
            |x: &[f64]| -> Vec<f64> { x.iter().zip(&common).map(|(x, c)| x + 0.7 * c).collect() };
        let (a, b) = (with(&a), with(&b));
        let filter = |first: i64, taps: &[f64]| Filter {
            first,
            taps: taps.to_vec(),
        };
        let (of_a, of_b) = (filter(-1, &[0.2, 0.8, -0.3]), filter(0, &[0.1, -0.6]));
        let strange = noise(24, 40_000);
        let target: Vec<f64> = (of_a.apply(&a).iter().zip(of_b.apply(&b)))
            .zip(&strange)
            .map(|((v, w), n)| v + w + 0.01 * n)
            .collect();
        let found = Correlations::between(&target, &[&a, &b], &[0, 0], RATE_HZ)
            .and_then(|c| c.filters())
            .unwrap();
        let (v, w) = (found[0].apply(&a), found[1].apply(&b));
        let left: Vec<f64> = (0..target.len()).map(|i| target[i] - v[i] - w[i]).collect();
        let over = power(&left) / 1e-4;
        assert!((0.95..1.1).contains(&over), "{over}");
    }

    #[test]
    fn channels_that_share_nothing_give_no_filter() {
        let found = (0..20)
            .filter(|seed| {
                Correlations::between(
                    &noise(10 + seed, 40_000),
                    &[&noise(50 + seed, 40_000)],
                    &[0],
                    RATE_HZ,
                )
                .is_some_and(|c| c.filters().is_some())
            })
            .count();
        // One in a thousand may pass.
        assert_eq!(found, 0);
    }

    /// Half the target's power is the other channel's: a coherence of a half, which scatters by a twentieth or so over the
    /// segments of this record.
    #[test]
    fn coherence_is_the_share_that_is_explained() {
        let (other, strange) = (noise(3, 40_000), noise(4, 40_000));
        let half: Vec<f64> = other.iter().zip(&strange).map(|(a, b)| a + b).collect();
        let coherence = |target: &[f64]| CrossSpectra::new(target, &[&other], RATE_HZ).coherence();
        assert!(coherence(&other) > 0.999);
        assert!((coherence(&half) - 0.5).abs() < 0.1, "{}", coherence(&half));
        assert!(coherence(&strange) < 0.1, "{}", coherence(&strange));
    }
}

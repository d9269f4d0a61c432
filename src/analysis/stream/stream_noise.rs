//! The noise of a stream: its density, the floor beside the lines, and what it makes uncertain.

use super::channel::{Work, mean_fundamental};
use crate::analysis::noise::robust_level;
use crate::analysis::noise::{NoiseFloor, RemovedLine};
use crate::analysis::series::{FitSettings, SegmentFit};
use crate::spectrum::{Density, Multitaper, Weighting};
use rayon::prelude::*;

/// Fewest samples for each taper of a short record.
const LEAST_A_TAPER: usize = 16;
/// Share of the fundamental's frequency either side of an order that moves which its movement covers.
const MOVES_OVER: f64 = 0.2;
/// Shortest record of a long capture's density, s.
const DENSITY_S: f64 = 1.0;

impl Work<'_> {
    /// Tapers of the density: resolution against scatter.
    pub(crate) fn estimator(&self, nominal_hz: f64) -> Multitaper {
        let rate = self.stream.rate_hz;
        let count = self.stream.samples.len();
        if self.pieces.len() == 1 {
            let cycles = count as f64 / rate * nominal_hz;
            let tapers = ((0.35 * cycles) as usize).clamp(2, 8);
            return Multitaper::new(count, tapers.min((count / LEAST_A_TAPER).max(2)));
        }
        let low = self
            .options
            .band_hz
            .map_or(f64::INFINITY, |b| b.0)
            .max(4.0 * rate / count as f64);
        let shortest = (DENSITY_S * rate).max((self.pieces[0].1 - self.pieces[0].0) as f64);
        let length = (4.0 * rate / low).max(shortest).min(count as f64) as usize;
        Multitaper::new(length, if count / length >= 4 { 3 } else { 5 })
    }

    /// Density of records cut from `samples`, a straight line taken off each.
    pub(crate) fn density(&self, estimator: &Multitaper, samples: &[f64]) -> Density {
        let length = estimator.length();
        let records = (samples.len() / length).max(1);
        let stride =
            (samples.len() - length.min(samples.len())) as f64 / (records.max(2) - 1) as f64;
        let starts: Vec<usize> = (0..records)
            .map(|i| {
                if records == 1 {
                    (samples.len() - length.min(samples.len())) / 2
                } else {
                    (i as f64 * stride) as usize
                }
            })
            .collect();
        let of_some = |chunk: &[usize]| {
            let mut sum = estimator.start(self.stream.rate_hz);
            for &start in chunk {
                let record = &samples[start..start + length.min(samples.len())];
                estimator.accumulate_less_line(record, straight_line(record), &mut sum);
            }
            sum
        };
        if records == 1 {
            return of_some(&starts);
        }
        let parts: Vec<Density> = starts.par_chunks(8).map(of_some).collect();
        let mut parts = parts.into_iter();
        let mut sum = parts
            .next()
            .unwrap_or_else(|| estimator.start(self.stream.rate_hz));
        for part in parts {
            sum.add(&part);
        }
        sum
    }

    /// Noise variance a sample beside offset and orders, from a density that still holds the lines.
    pub(crate) fn rough_noise(&self, total: &Density, nominal_hz: f64, orders: usize) -> Vec<f64> {
        let mean = total.mean();
        let dof = 2.0 * (total.records * total.tapers) as f64;
        let reach = (0.6 * nominal_hz / total.bin_hz).max(12.0);
        let half_rate = 0.5 * self.stream.rate_hz;
        let floor = mean.iter().sum::<f64>() / mean.len().max(1) as f64 * 1e-12;
        (0..=orders)
            .map(|k| {
                let bin = (k.max(1) as f64) * nominal_hz / total.bin_hz;
                robust_level(&mean, bin, reach, dof)
                    .max(floor)
                    .max(f64::MIN_POSITIVE)
                    * half_rate
            })
            .collect()
    }

    pub(crate) fn fitted_over_s(&self) -> f64 {
        (self.pieces[0].1 - self.pieces[0].0) as f64 / self.stream.rate_hz
    }

    pub(crate) fn floor(
        &self,
        estimator: &Multitaper,
        density: &Density,
        settings: &FitSettings,
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> NoiseFloor {
        let lines = self.removed_lines(estimator, density, settings, segments, tones);
        NoiseFloor::new(estimator, density, &lines).raised(1.0 / self.present)
    }

    /// What series and tones took out of the residual.
    pub(crate) fn removed_lines(
        &self,
        estimator: &Multitaper,
        density: &Density,
        settings: &FitSettings,
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> Vec<RemovedLine> {
        let rate = self.stream.rate_hz;
        let fitted_over_s = self.fitted_over_s();
        let scar = match settings.weighting {
            Weighting::Rectangular => 0.0,
            Weighting::Hann => {
                1.5 / fitted_over_s + 0.5 * (estimator.tapers() as f64 + 1.0) * density.bin_hz
            }
        };
        // Fitted over less than a record: what the fits took out is smeared over the tapers' width.
        let cut = if fitted_over_s * density.bin_hz < 0.7 {
            1.6 / fitted_over_s
        } else {
            0.0
        };
        let mut lines = Vec::new();
        if self.stream.slow_to_hz > 0.0 {
            lines.push(RemovedLine {
                frequency_hz: 0.0,
                fitted_over_s,
                covers_hz: self.stream.slow_to_hz,
            });
        }
        if let Some(fundamental) = mean_fundamental(segments) {
            for k in 1..=settings.orders {
                let power = segments
                    .iter()
                    .map(|s| s.fit.harmonics[k - 1].norm_sqr())
                    .sum::<f64>()
                    / segments.len() as f64;
                // A strong line that moves within the segments leaves a skirt.
                let limit = 1e5 * settings.coefficient_variance(k, segments[0].fit.length);
                let strong = fitted_over_s * fundamental * rate > 20.0 && power > limit;
                // What stands beside an order and is stronger than itself is not its movement.
                let own = power > 4.0 * settings.coefficient_variance(k, segments[0].fit.length);
                let moves = own && settings.moved.get(k - 1).is_some_and(|m| *m > 1.0);
                lines.push(RemovedLine {
                    frequency_hz: k as f64 * fundamental * rate,
                    fitted_over_s,
                    covers_hz: if moves {
                        scar.max(MOVES_OVER * fundamental * rate)
                    } else if strong {
                        let skirt = 3.0 * (power / limit).sqrt();
                        scar.max(skirt.min(10.0) / fitted_over_s)
                    } else {
                        scar.max(cut)
                    },
                });
            }
        }
        let tone_scar =
            1.5 / fitted_over_s + 0.5 * (estimator.tapers() as f64 + 1.0) * density.bin_hz;
        for tone in tones {
            if let Some(fundamental) = mean_fundamental(tone) {
                lines.push(RemovedLine {
                    frequency_hz: fundamental * rate,
                    fitted_over_s,
                    covers_hz: tone_scar,
                });
            }
        }
        lines
    }

    /// Hann weights where strong surroundings would leak into an unweighted fit by more than the
    /// weights cost.
    pub(crate) fn choose_weighting(
        &self,
        settings: &FitSettings,
        segments: &[SegmentFit],
        floor: &NoiseFloor,
    ) -> Weighting {
        let Some(fundamental) = mean_fundamental(segments) else {
            return Weighting::Rectangular;
        };
        let fundamental_hz = fundamental * self.stream.rate_hz;
        let fitted_over_s = self.fitted_over_s();
        if fitted_over_s * fundamental_hz < 4.0 {
            return Weighting::Rectangular;
        }
        // What is left of strong slow content stands where its own removal hides it from the floor.
        if self.stream.slow_to_hz > 0.0 {
            return Weighting::Hann;
        }
        // The orders that carry most interference are the low ones; each counts alike, so that one strong
        // line far up does not decide.
        let leakage = floor.leakage(fitted_over_s);
        let shares: Vec<f64> = (1..=settings.orders.min(9))
            .map(|k| {
                let frequency = k as f64 * fundamental_hz;
                let level = floor
                    .level_at(frequency, fundamental_hz)
                    .0
                    .max(f64::MIN_POSITIVE);
                leakage.at(frequency) / level
            })
            .collect();
        let mean = shares.iter().sum::<f64>() / shares.len().max(1) as f64;
        if mean > 0.6 {
            Weighting::Hann
        } else {
            Weighting::Rectangular
        }
    }

    /// Noise variance a sample beside offset and each order, with degrees of freedom of each.
    pub(crate) fn noise_variances(
        &self,
        settings: &FitSettings,
        floor: &NoiseFloor,
        segments: &[SegmentFit],
    ) -> (Vec<f64>, Vec<f64>) {
        let half_rate = 0.5 * self.stream.rate_hz;
        let half_rate = half_rate / self.present;
        let fundamental_hz = mean_fundamental(segments).unwrap_or(0.0) * self.stream.rate_hz;
        let zero = floor.lowest();
        let mut variances = vec![zero.0 * half_rate];
        let mut dofs = vec![zero.1];
        let leakage = (settings.weighting == Weighting::Rectangular)
            .then(|| floor.leakage(self.fitted_over_s()));
        for k in 1..=settings.orders {
            let frequency = k as f64 * fundamental_hz;
            let (mut level, dof) = floor.level_at(frequency, fundamental_hz);
            if let Some(leakage) = &leakage {
                level += leakage.at(frequency);
            }
            variances.push((level * half_rate).max(f64::MIN_POSITIVE));
            dofs.push(dof);
        }
        (variances, dofs)
    }
}

/// Takes the least-squares straight line off.
pub(crate) fn take_off_line(samples: &mut [f64]) {
    let (mean, slope) = straight_line(samples);
    let middle = 0.5 * (samples.len() as f64 - 1.0);
    for (i, x) in samples.iter_mut().enumerate() {
        *x -= mean + slope * (i as f64 - middle);
    }
}

/// Mean and slope a sample of the least-squares straight line; none of a single sample.
fn straight_line(samples: &[f64]) -> (f64, f64) {
    const LANES: usize = 8;
    let n = samples.len() as f64;
    if samples.len() < 2 {
        return (0.0, 0.0);
    }
    let middle = 0.5 * (n - 1.0);
    // Eight sums side by side, for the vector registers.
    let (mut sums, mut moments) = ([0.0; LANES], [0.0; LANES]);
    let (blocks, last) = samples.as_chunks::<LANES>();
    let lanes: [f64; LANES] = std::array::from_fn(|i| i as f64);
    for (b, block) in blocks.iter().enumerate() {
        let first = (b * LANES) as f64 - middle;
        for i in 0..LANES {
            sums[i] += block[i];
            moments[i] += (first + lanes[i]) * block[i];
        }
    }
    let (mut sum, mut moment) = (sums.iter().sum::<f64>(), moments.iter().sum::<f64>());
    for (i, x) in last.iter().enumerate() {
        sum += x;
        moment += ((blocks.len() * LANES + i) as f64 - middle) * x;
    }
    (sum / n, moment / (n * (n * n - 1.0) / 12.0))
}

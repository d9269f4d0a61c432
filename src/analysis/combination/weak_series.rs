//! Series too weak for one segment to tell their phase: one steady frequency for the record.

use super::guides::Guides;
use crate::analysis::series::Observation;
use crate::numeric::parabola;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Weak series: one frequency for the whole record, where the coherent sum of the segments that hold it is largest near the
/// segments' pooled frequency.
pub(super) fn steady_phases(guides: &Guides<'_>) -> Vec<Observation> {
    let per_segment = guides.per_segment;
    let mut weak = WeakSeries {
        guides,
        heard: vec![true; per_segment.len()],
    };
    let mut deviation = weak.deviation();
    for _ in 0..6 {
        let heard = weak.likely_heard(deviation);
        if heard == weak.heard {
            break;
        }
        weak.heard = heard;
        deviation = weak.deviation();
    }
    let origin = weak.origin();
    let (phase_variance, frequency_variance) = if weak.is_coherent(deviation) {
        // The frequencies were used to find the phases' slope: they are not counted twice.
        (weak.phase_variance(deviation), f64::INFINITY)
    } else {
        // No steady frequency explains the segments: each is right to a third of its cell, and no more is known.
        let cell = weak.cell();
        let variance = 0.1 * cell * cell * per_segment.len() as f64;
        (f64::INFINITY, variance)
    };
    per_segment
        .iter()
        .zip(&weak.heard)
        .map(|(o, heard)| Observation {
            phase: TAU * deviation * (o.time_s - origin),
            phase_variance: if *heard {
                phase_variance
            } else {
                f64::INFINITY
            },
            frequency_hz: deviation,
            frequency_variance,
            ..*o
        })
        .collect()
}

/// A series too weak for one segment to tell its phase, and the segments taken to hold it.
struct WeakSeries<'a> {
    guides: &'a Guides<'a>,
    heard: Vec<bool>,
}

impl WeakSeries<'_> {
    /// Times of the first and the last segment, s.
    fn ends(&self) -> Option<(f64, f64)> {
        let all = self.guides.per_segment;
        Some((all.first()?.time_s, all.last()?.time_s))
    }

    /// Middle of the record, s.
    fn origin(&self) -> f64 {
        self.ends().map_or(0.0, |(a, b)| 0.5 * (a + b))
    }

    /// One over the distance of two segments, Hz.
    fn cell(&self) -> f64 {
        let span = self.ends().map_or(1.0, |(a, b)| b - a);
        (self.guides.per_segment.len() as f64 - 1.0) / span
    }

    fn weight(&self, segment: usize, order: usize) -> f64 {
        1.0 / self.guides.variance(segment, order)
    }

    /// One order in one segment against the phase of a steady deviation.
    fn turned(&self, segment: usize, order: usize, deviation: f64) -> Complex64 {
        let time = self.guides.per_segment[segment].time_s - self.origin();
        self.guides.phasor(segment, order) * Complex64::cis(-TAU * order as f64 * deviation * time)
    }

    /// Weighted sum of each guide over the segments of `window` that hold the series, and the weights' sum.
    fn sums(&self, deviation: f64, window: Range<usize>) -> Vec<(Complex64, f64)> {
        self.guides
            .orders
            .iter()
            .map(|&k| {
                let mut sum = Complex64::default();
                let mut weight = 0.0;
                for s in window.clone().filter(|&s| self.heard[s]) {
                    let w = self.weight(s, k);
                    sum += w * self.turned(s, k, deviation);
                    weight += w;
                }
                (sum, weight)
            })
            .collect()
    }

    /// Weighted mean of each guide over the segments that hold the series.
    fn means(&self, deviation: f64) -> Vec<Complex64> {
        self.sums(deviation, 0..self.heard.len())
            .iter()
            .map(|(sum, weight)| sum / weight.max(f64::MIN_POSITIVE))
            .collect()
    }

    /// Frequency deviation where the coherent sum is largest: over half a minute or so first, the windows' powers added,
    /// then over ever longer windows near the last one's best.
    fn deviation(&self) -> f64 {
        let count = self.guides.per_segment.len();
        let cell = self.cell();
        let told: Vec<Observation> = self
            .guides
            .per_segment
            .iter()
            .zip(&self.heard)
            .filter_map(|(o, heard)| heard.then_some(*o))
            .collect();
        let (mut best, variance) = pooled_frequency(&told);
        // At least a third of a segment's cell either side: bursts make the pooled variance too small.
        let mut reach = (4.0 * variance.sqrt()).max(0.3 * cell);
        let top = self.guides.orders.iter().max().map_or(1.0, |&k| k as f64);
        let lowest = self.guides.orders.iter().min().map_or(1.0, |&k| k as f64);
        let mut window = 32;
        loop {
            window = window.min(count);
            let length = window as f64 / cell;
            let score = |deviation: f64| -> f64 {
                (0..count)
                    .step_by(window)
                    .flat_map(|from| self.sums(deviation, from..(from + window).min(count)))
                    .map(|(sum, weight)| sum.norm_sqr() / weight.max(f64::MIN_POSITIVE))
                    .sum()
            };
            best = highest(score, best, reach, 0.1 / (top * length));
            if window == count {
                return best;
            }
            reach = 0.5 / (lowest * length);
            window *= 8;
        }
    }

    /// What each segment says of the phase by the guides' means, 1/rad², and what it says by its own amplitude along them.
    fn information(&self, deviation: f64) -> Vec<(f64, f64)> {
        let means = self.means(deviation);
        (0..self.heard.len())
            .map(|s| {
                self.guides
                    .orders
                    .iter()
                    .zip(&means)
                    .fold((0.0, 0.0), |sum, (&k, mean)| {
                        let weight = (k * k) as f64 * self.weight(s, k);
                        let along = (mean.conj() * self.turned(s, k, deviation)).re;
                        (sum.0 + weight * mean.norm_sqr(), sum.1 + weight * along)
                    })
            })
            .collect()
    }

    /// All segments but the runs that are likelier to be silent than to hold the guides' means.
    fn likely_heard(&self, deviation: f64) -> Vec<bool> {
        let means = self.means(deviation);
        let mut gains: Vec<f64> = (0..self.heard.len())
            .map(|s| {
                self.guides
                    .orders
                    .iter()
                    .zip(&means)
                    .map(|(&k, mean)| {
                        let along = (mean.conj() * self.turned(s, k, deviation)).re;
                        self.weight(s, k) * (0.5 * mean.norm_sqr() - along)
                    })
                    .sum()
            })
            .collect();
        // By chance in one of 100 steady records: any run may be taken.
        let level = (100.0 * (gains.len() as f64).powi(2)).ln();
        let mut heard = vec![true; gains.len()];
        while let Some(run) = largest_run(&gains, level) {
            heard[run.clone()].fill(false);
            gains[run].fill(f64::NEG_INFINITY);
        }
        if heard.contains(&true) {
            heard
        } else {
            self.heard.clone()
        }
    }

    /// Whether the coherent sum explains the segments' powers: half of them or more, or as much as noise leaves open.
    fn is_coherent(&self, deviation: f64) -> bool {
        let heard: Vec<usize> = (0..self.heard.len()).filter(|&s| self.heard[s]).collect();
        let sums = self.sums(deviation, 0..self.heard.len());
        self.guides
            .orders
            .iter()
            .zip(sums)
            .all(|(&k, (sum, weight))| {
                let together = sum.norm_sqr() / weight.max(f64::MIN_POSITIVE);
                let apart: f64 = heard
                    .iter()
                    .map(|&s| self.weight(s, k) * self.guides.phasor(s, k).norm_sqr() - 2.0)
                    .sum();
                let spread = (4.0 * (heard.len() as f64 + apart.max(0.0))).sqrt();
                together >= (0.5 * apart).min(apart - 5.0 * spread)
            })
    }

    /// Variance of a segment's phase about the line, rad²: by the guides' means where the amplitude is steady. Where it is
    /// not, the slope errs by more (its score's variance over the square of its curvature, as of any estimate by a wrong
    /// model: White, Econometrica 50(1), 1982), and the variance is raised by as much.
    fn phase_variance(&self, deviation: f64) -> f64 {
        let heard: Vec<(f64, f64, f64)> = self
            .information(deviation)
            .into_iter()
            .zip(self.guides.per_segment)
            .zip(&self.heard)
            .filter_map(|((i, o), heard)| heard.then_some((o.time_s, i.0, i.1)))
            .collect();
        let total: f64 = heard.iter().map(|(_, model, _)| model).sum();
        let variance = heard.len() as f64 / total.max(f64::MIN_POSITIVE);
        let own: f64 = heard.iter().map(|(_, _, own)| own).sum();
        let model_centre = heard.iter().map(|(t, model, _)| t * model).sum::<f64>() / total;
        let own_centre = heard.iter().map(|(t, _, own)| t * own).sum::<f64>() / own;
        let (mut line, mut score, mut curvature) = (0.0, 0.0, 0.0);
        for (t, model, own) in &heard {
            line += model * (t - model_centre).powi(2);
            score += model * (t - own_centre).powi(2);
            curvature += own * (t - own_centre).powi(2);
        }
        let raised = score * line / (curvature * curvature);
        // Three deviations of the ratio in a steady series: the curvature's is 1.34/√information.
        if raised > 1.0 + 8.0 / total.sqrt() {
            variance * raised
        } else {
            variance
        }
    }
}

/// Mean of the segments' frequencies, weighted by their variances, and its variance.
fn pooled_frequency(observations: &[Observation]) -> (f64, f64) {
    let (sum, weight) = observations.iter().fold((0.0, 0.0), |(sum, weight), o| {
        let w = 1.0 / o.frequency_variance.max(f64::MIN_POSITIVE);
        (sum + w * o.frequency_hz, weight + w)
    });
    (sum / weight, 1.0 / weight)
}

/// Where `score` is highest within `reach` of `centre`, on steps of `step` or less, between them by a parabola.
fn highest(score: impl Fn(f64) -> f64, centre: f64, reach: f64, step: f64) -> f64 {
    let steps = ((2.0 * reach / step).ceil() as usize).clamp(20, 4000);
    let at = |i: usize| centre - reach + 2.0 * reach * i as f64 / steps as f64;
    let scores: Vec<f64> = (0..=steps).map(|i| score(at(i))).collect();
    let best = (0..=steps)
        .max_by(|&a, &b| scores[a].total_cmp(&scores[b]))
        .unwrap_or(0);
    if best == 0 || best == steps {
        return at(best);
    }
    let shift = parabola::peak(scores[best - 1], scores[best], scores[best + 1]);
    at(best) + shift.unwrap_or(0.0) * (at(1) - at(0))
}

/// Run of the largest sum, where that is above `level`.
fn largest_run(gains: &[f64], level: f64) -> Option<Range<usize>> {
    let mut largest = (level, None);
    let (mut sum, mut from) = (0.0, 0);
    for (i, gain) in gains.iter().enumerate() {
        if sum <= 0.0 {
            (sum, from) = (0.0, i);
        }
        sum += gain;
        if sum > largest.0 {
            largest = (sum, Some(from..i + 1));
        }
    }
    largest.1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_run_is_found_above_its_level() {
        let gains = [1.0, -3.0, 2.0, -1.0, 4.0, -9.0, 4.5];
        assert_eq!(largest_run(&gains, 4.0), Some(2..5));
        assert_eq!(largest_run(&gains, 6.0), None);
        assert_eq!(largest_run(&[f64::NEG_INFINITY, 7.0], 6.0), Some(1..2));
        assert_eq!(largest_run(&[], 0.0), None);
    }
}

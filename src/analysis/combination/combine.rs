//! From the segments' fits to the record's figures.
//!
//! Every harmonic turns with one common phase. The phase track is read from all resolved harmonics,
//! smoothed (see `track`), and taken out; what is left of each harmonic is averaged coherently, so
//! that a weak order gains the whole record's length though the mains wanders. Where the derotated
//! amplitude itself moves more than noise does, the mean of the segments' powers is used instead.

use super::common_phase::common_phases;
use super::guides::{Guides, Phasors, guiding};
use super::harmonic::{Combined, CombinedHarmonic, OrderNoise};
use super::order_agreement::hangs_on_one;
use super::order_rotation::strays_of_segments;
use crate::analysis::series::{Observation, SegmentFit, SmoothTrack, State};
use crate::stats::{LinePower, chi_square_quantile};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Random walk of a grid's frequency, Hz/√s (common practice, no source).
pub(crate) const GRID_WALK: f64 = 5e-3;

/// Probability that noise alone makes any order look unsteady in a record.
const UNSTEADY_BY_CHANCE: f64 = 1e-3;

/// Combines segments at `rate` samples per second over a record of `samples`; orders up to
/// `highest_guide` tell the common phase. `loudness`: noise in each segment over the mean one, 1 of those that are not named.
pub(crate) fn combine(
    segments: &[SegmentFit],
    noise: &[OrderNoise],
    loudness: &[f64],
    highest_guide: usize,
    rate: f64,
    samples: usize,
) -> Combined {
    let orders = noise.len();
    let frequencies: Vec<f64> = segments.iter().map(|s| s.fit.fundamental * rate).collect();
    let total: f64 = segments.iter().map(|s| s.fit.length as f64).sum();
    let shares: Vec<f64> = segments
        .iter()
        .map(|s| s.fit.length as f64 / total)
        .collect();
    let reference: f64 = frequencies.iter().zip(&shares).map(|(f, w)| f * w).sum();
    if segments.is_empty() || orders == 0 {
        return Combined::nothing(orders, reference, frequencies);
    }
    let phasors = Phasors::new(segments, orders, reference, rate);
    let loudness: Vec<f64> = (0..segments.len())
        .map(|s| loudness.get(s).copied().unwrap_or(1.0))
        .collect();
    let per_segment: Vec<Observation> = segments
        .iter()
        .zip(frequencies.iter().zip(&loudness))
        .map(|(segment, (frequency, loud))| Observation {
            time_s: segment.centre / rate,
            phase: 0.0,
            phase_variance: f64::INFINITY,
            frequency_hz: frequency - reference + segment.step.step * rate,
            frequency_variance: loud * segment.step.variance * rate * rate,
        })
        .collect();
    let guides = Guides {
        orders: guiding(segments, noise, highest_guide),
        per_segment: &per_segment,
        noise,
        loudness: &loudness,
        shares: &shares,
        phasors: &phasors,
    };
    let (phases, followed) = common_phases(&guides);
    let track = SmoothTrack::new(&phases);
    let states = &track.states;
    let (start, (offset_hz, frequency_variance)) =
        start_and_mean(&track, &per_segment, samples as f64 / rate);
    let strays = strays_of_segments(&guides, states);
    let harmonics = (1..=orders)
        .map(|k| {
            let order = &noise[k - 1];
            let turned = |(s, state): (usize, &State)| {
                phasors.of(s, k) * Complex64::cis(-(k as f64) * state.phase)
            };
            let values = Derotated {
                values: states.iter().enumerate().map(turned).collect(),
                shares: &shares,
                variances: &order.variances,
            };
            values.combined(k, orders, order.dof, start)
        })
        .collect();
    Combined {
        frequency_hz: reference + offset_hz,
        frequency_variance,
        orders_apart: hangs_on_one(&strays),
        harmonics,
        followed,
        tracked: false,
        walk: track.walk,
        segment_frequencies_hz: states.iter().map(|s| reference + s.frequency_hz).collect(),
    }
}

/// The common phase at the record's first sample, rad, and the mean frequency's deviation from the reference, Hz (phase
/// advance over the record divided by its length), each with its variance.
fn start_and_mean(
    track: &SmoothTrack,
    observations: &[Observation],
    duration: f64,
) -> ((f64, f64), (f64, f64)) {
    let first = track.states.first().copied().unwrap_or_default();
    let last = track.states.last().copied().unwrap_or_default();
    let time = |o: Option<&Observation>| o.map_or(0.0, |o| o.time_s);
    let start = track.extrapolate(&first, -time(observations.first()));
    if track.walk == 0.0 {
        // Steady: the line's slope is the frequency everywhere.
        return (start, (first.frequency_hz, first.frequency_variance));
    }
    let end = track.extrapolate(&last, duration - time(observations.last()));
    let turns = TAU * duration;
    let mean = (end.0 - start.0) / turns;
    (start, (mean, (start.1 + end.1) / (turns * turns)))
}

/// One order in every segment, the common phase taken out.
struct Derotated<'a> {
    values: Vec<Complex64>,
    shares: &'a [f64],
    variances: &'a [f64],
}

impl Derotated<'_> {
    /// The order over the record; `start`: common phase at its first sample with its variance.
    fn combined(
        &self,
        order: usize,
        orders: usize,
        dof: f64,
        start: (f64, f64),
    ) -> CombinedHarmonic {
        let parts = self.values.iter().zip(self.shares);
        let mean: Complex64 = parts.map(|(c, w)| c * *w).sum();
        let parts = self.variances.iter().zip(self.shares);
        let variance: f64 = parts.map(|(v, w)| v * w * w).sum();
        let unsteady = self.is_unsteady(mean, orders);
        let power = if unsteady {
            self.mean_power(dof)
        } else {
            LinePower::new(0.5 * mean.norm_sqr(), variance, 2.0, dof)
        };
        CombinedHarmonic {
            amplitude: mean * Complex64::cis(order as f64 * start.0),
            variance,
            power,
            unsteady,
            phase_variance: variance / mean.norm_sqr().max(f64::MIN_POSITIVE)
                + (order * order) as f64 * start.1,
        }
    }

    /// Whether the segments scatter about their mean by more than noise does in one of 1000 records, whatever the number
    /// of orders.
    fn is_unsteady(&self, mean: Complex64, orders: usize) -> bool {
        let count = self.values.len();
        count > 1 && {
            let parts = self.values.iter().zip(self.variances);
            let surplus: f64 = parts
                .map(|(c, v)| (c - mean).norm_sqr() / v.max(f64::MIN_POSITIVE))
                .sum();
            let level = 1.0 - UNSTEADY_BY_CHANCE / orders as f64;
            surplus > chi_square_quantile(level, 2.0 * (count - 1) as f64)
        }
    }

    /// Mean of the segments' powers.
    fn mean_power(&self, dof: f64) -> LinePower {
        let parts = self.values.iter().zip(self.shares);
        let observed = 0.5 * parts.map(|(c, w)| c.norm_sqr() * w).sum::<f64>();
        let parts = self.variances.iter().zip(self.shares);
        let noise: f64 = parts.clone().map(|(v, w)| v * w).sum();
        let spread: f64 = parts
            .zip(&self.values)
            .map(|((&v, &w), c)| w * w * v * ((c.norm_sqr() - 2.0 * v).max(0.0) + v))
            .sum();
        LinePower::of_sum(observed, noise, spread, dof)
    }
}

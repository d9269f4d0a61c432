//! The common phase of a series, segment by segment, from the orders that tell it.
//!
//! Segments in which the series is silent tell nothing: hum may be there in a part of the record only.

use super::guides::Guides;
use super::weak_series::steady_phases;
use crate::analysis::series::{Observation, SmoothTrack, join_runs};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Variance of one segment's phase up to which it is followed segment by segment, rad².
const FOLLOWED: f64 = 0.05;

/// Share of the series' mean power below which a segment tells no phase.
const SILENT: f64 = 0.1;

/// Share of the series' amplitude below which a segment's phase is weighted by its own amplitude.
const PART: f64 = 0.5;

/// Variance of the phase of a record that is one segment: it is where it is.
const ONE_SEGMENT: f64 = 1e-12;

/// Deviation of a segment's phase, turns, up to which the next one goes on from it.
const KNOWN: f64 = 0.1;

/// Most rounds in which the phases are refined, the largest step of one, rad, and that against its deviation at which they end.
const ROUNDS: usize = 12;
const LARGEST_STEP: f64 = 0.5;
const SETTLED: f64 = 0.01;

/// Adds the common phase of the guiding orders to the segments' frequencies; whether single segments tell it.
pub(super) fn common_phases(guides: &Guides<'_>) -> (Vec<Observation>, bool) {
    let count = guides.per_segment.len();
    if count < 2 {
        // The frequency comes from the fit.
        let told = guides.per_segment.iter().map(|o| Observation {
            phase_variance: ONE_SEGMENT,
            ..*o
        });
        return (told.collect(), true);
    }
    let mean = incoherent(guides);
    let typical = (0..count)
        .map(|s| information(guides, s, &mean))
        .sum::<f64>()
        / count as f64;
    if typical * FOLLOWED < 1.0 {
        return (steady_phases(guides), false);
    }
    let heard = Heard::new(guides, &mean);
    let mut told: Vec<Observation> = guides
        .per_segment
        .iter()
        .zip(&heard.segments)
        .map(|(o, heard)| Observation {
            frequency_variance: if *heard {
                o.frequency_variance
            } else {
                f64::INFINITY
            },
            ..*o
        })
        .collect();
    let expected = integrated(&told);
    let (mut phases, variances) = heard.follow(expected.clone());
    let divisor = guides.orders.iter().copied().fold(0, gcd);
    let turn = TAU / divisor.max(1) as f64;
    take_slips_back(&mut phases, &variances, &expected, turn);
    for (o, (phase, variance)) in told.iter_mut().zip(phases.iter().zip(&variances)) {
        o.phase = *phase;
        o.phase_variance = *variance;
    }
    let runs = runs(&heard.segments);
    if runs.len() > 1 {
        join_runs(&mut told, &runs, turn);
    }
    (told, true)
}

/// Amplitude of each guide from its mean power over the segments.
fn incoherent(guides: &Guides<'_>) -> Vec<Complex64> {
    let power = |k: usize| -> f64 {
        guides
            .shares
            .iter()
            .enumerate()
            .map(|(s, share)| {
                share * (guides.phasor(s, k).norm_sqr() - 2.0 * guides.noise[k - 1].variances[s])
            })
            .sum()
    };
    guides
        .orders
        .iter()
        .map(|&k| Complex64::new(power(k).max(0.0).sqrt(), 0.0))
        .collect()
}

/// What a segment says of the phase where the guides are as large as `mean`, 1/rad².
fn information(guides: &Guides<'_>, segment: usize, mean: &[Complex64]) -> f64 {
    guides
        .orders
        .iter()
        .zip(mean)
        .map(|(&k, c)| (k * k) as f64 * c.norm_sqr() / guides.variance(segment, k))
        .sum()
}

/// The smoothed frequencies, integrated.
fn integrated(told: &[Observation]) -> Vec<f64> {
    let smooth = SmoothTrack::new(told);
    let mut phases = vec![0.0; told.len()];
    for s in 1..told.len() {
        let dt = told[s].time_s - told[s - 1].time_s;
        let mean = 0.5 * (smooth.states[s].frequency_hz + smooth.states[s - 1].frequency_hz);
        phases[s] = phases[s - 1] + TAU * mean * dt;
    }
    phases
}

/// Puts phases on the turn on which their distance from what the frequencies add up to goes on steadily: that sum strays over a
/// record, not from one segment to the next, and a phase found from it may be turns off. A phase that is hardly known is put there
/// and not gone on from.
fn take_slips_back(phases: &mut [f64], variances: &[f64], expected: &[f64], turn: f64) {
    let mut last = None;
    for ((phase, variance), expected) in phases.iter_mut().zip(variances).zip(expected) {
        if !variance.is_finite() {
            continue;
        }
        let from = last.unwrap_or(*phase - expected);
        *phase += turn * ((from + expected - *phase) / turn).round();
        if variance.sqrt() < KNOWN * turn {
            last = Some(*phase - expected);
        }
    }
}

/// The segments in which the series is heard.
struct Heard<'a> {
    guides: &'a Guides<'a>,
    segments: Vec<bool>,
    /// Their share in the record.
    share: f64,
    /// Amplitude in segments where the series is heard in a part only, against the mean of those that hold it; 1 elsewhere.
    parts: Vec<f64>,
}

impl<'a> Heard<'a> {
    fn new(guides: &'a Guides<'a>, mean: &[Complex64]) -> Self {
        let shares = guides.shares;
        let mut presences: Vec<f64> = (0..shares.len())
            .map(|s| presence(guides, s, mean))
            .collect();
        if presences.iter().all(|p| *p == 0.0) {
            presences.fill(1.0);
        }
        let segments: Vec<bool> = presences.iter().map(|p| *p > 0.0).collect();
        let own = shares.iter().zip(&segments).filter(|(_, heard)| **heard);
        let share: f64 = own.map(|(share, _)| share).sum();
        let powers = shares.iter().zip(&presences);
        let power: f64 = powers.map(|(share, p)| share * p).sum::<f64>() / share;
        let parts = presences
            .iter()
            .map(|p| (p / power).sqrt())
            .map(|part| if part < PART { part } else { 1.0 })
            .collect();
        Self {
            guides,
            segments,
            share,
            parts,
        }
    }

    fn heard(&self) -> impl Iterator<Item = usize> {
        (0..self.segments.len()).filter(|&s| self.segments[s])
    }

    /// A guide in a segment, turned back by the common phase.
    fn turned(&self, segment: usize, order: usize, phases: &[f64]) -> Complex64 {
        self.guides.phasor(segment, order) * Complex64::cis(-(order as f64) * phases[segment])
    }

    /// Refines phases from a start; with their variances, infinite where nothing is heard.
    fn follow(&self, mut phases: Vec<f64>) -> (Vec<f64>, Vec<f64>) {
        let guides = self.guides;
        let mut variances = vec![f64::INFINITY; phases.len()];
        for _ in 0..ROUNDS {
            let mean: Vec<Complex64> = guides
                .orders
                .iter()
                .map(|&k| {
                    self.heard()
                        .map(|s| {
                            guides.shares[s]
                                * guides.phasor(s, k)
                                * Complex64::cis(-(k as f64) * phases[s])
                        })
                        .sum::<Complex64>()
                        / self.share
                })
                .collect();
            let mut largest: f64 = 0.0;
            for s in self.heard() {
                let known = information(guides, s, &mean) * self.parts[s];
                let pull: f64 = guides
                    .orders
                    .iter()
                    .zip(&mean)
                    .map(|(&k, c)| {
                        k as f64 * (c.conj() * self.turned(s, k, &phases)).im
                            / guides.variance(s, k)
                    })
                    .sum();
                let step = (pull / known.max(f64::MIN_POSITIVE)).clamp(-LARGEST_STEP, LARGEST_STEP);
                phases[s] += step;
                variances[s] = 1.0 / (known * self.parts[s]).max(f64::MIN_POSITIVE);
                largest = largest.max(step.abs() / variances[s].sqrt());
            }
            if largest < SETTLED {
                break;
            }
        }
        (phases, variances)
    }
}

/// Runs of segments that are heard.
fn runs(heard: &[bool]) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for (s, _) in heard.iter().enumerate().filter(|(_, heard)| **heard) {
        match runs.last_mut() {
            Some(run) if run.end == s => run.end += 1,
            _ => runs.push(s..s + 1),
        }
    }
    runs
}

/// Greatest common divisor.
fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Power of the series in a segment against its mean in the record; 0 where it is not heard: under a tenth of the mean, or
/// no more than noise alone reaches in one of 100 records (three tenths of the mean, where that is less). Series too weak
/// for one segment to tell are taken as held by all.
fn presence(guides: &Guides<'_>, segment: usize, mean: &[Complex64]) -> f64 {
    // The guides' powers above noise, each weighted by what it tells of the phase.
    let (mut found, mut expected, mut spread) = (0.0, 0.0, 0.0);
    for (&k, c) in guides.orders.iter().zip(mean) {
        let variance = guides.variance(segment, k);
        let signal = c.norm_sqr() / variance;
        let weight = (k * k) as f64 * signal;
        found += weight * (guides.phasor(segment, k).norm_sqr() / variance - 2.0);
        expected += weight * signal;
        spread += 4.0 * weight * weight;
    }
    let spread = f64::sqrt(spread);
    if expected < 6.0 * spread {
        return 1.0;
    }
    let chance = spread * (100.0 * guides.shares.len() as f64).ln();
    if found >= (SILENT * expected).max(chance.min(0.3 * expected)) {
        found / expected
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phase_on_another_turn_is_put_back() {
        let expected = [0.0, 0.3, 0.7, 1.2, 1.8];
        let true_phases = [0.1, 0.5, 0.8, 1.1, 1.9];
        let mut phases = true_phases;
        phases[3] -= TAU;
        phases[4] -= TAU;
        take_slips_back(&mut phases, &[0.01; 5], &expected, TAU);
        for (own, other) in phases.iter().zip(true_phases) {
            assert!((own - other).abs() < 1e-12, "{phases:?}");
        }
    }

    #[test]
    fn runs_are_those_of_heard_segments() {
        let heard = [true, false, false, true, true];
        assert_eq!(runs(&heard), [0..1, 3..5]);
        assert!(runs(&[false, false]).is_empty());
    }
}

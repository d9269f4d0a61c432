//! The common phase of a series, segment by segment, from the orders that tell it.
//!
//! Segments in which the series is silent tell nothing: hum may be there in a part of the record only.

use super::harmonic::OrderNoise;
use super::weak_series::steady_phases;
use crate::analysis::series::SegmentFit;
use crate::analysis::series::{Observation, SmoothTrack, join_runs};
use crate::stats::chi_square_cdf;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Variance of one segment's phase up to which it is followed segment by segment, rad².
const FOLLOWED: f64 = 0.05;

/// Share of the series' mean power below which a segment tells no phase.
const SILENT: f64 = 0.1;

/// Share of the series' amplitude below which a segment's phase is weighted by its own amplitude.
const PART: f64 = 0.5;

/// Orders whose power, summed over the segments, stands above the noise (one in 10,000 by chance).
pub(crate) fn guides(segments: &[SegmentFit], noise: &[OrderNoise], highest: usize) -> Vec<usize> {
    let dof = 2.0 * segments.len() as f64;
    let found: Vec<usize> = (1..=noise.len().min(highest))
        .filter(|&k| {
            if !noise[k - 1].guides {
                return false;
            }
            let sum: f64 = segments
                .iter()
                .zip(&noise[k - 1].variances)
                .map(|(s, v)| s.fit.harmonics[k - 1].norm_sqr() / v.max(f64::MIN_POSITIVE))
                .sum();
            chi_square_cdf(sum, dof) > 0.9999
        })
        .collect();
    if found.is_empty() { vec![1] } else { found }
}

/// Adds the common phase of the guiding orders to the segments' frequencies; whether single segments tell it.
pub(crate) fn common_phases(
    per_segment: &[Observation],
    guides: &[usize],
    noise: &[OrderNoise],
    shares: &[f64],
    phasor: &dyn Fn(usize, usize) -> Complex64,
) -> (Vec<Observation>, bool) {
    let count = per_segment.len();
    if count < 2 {
        // One segment: the phase at its centre is where it is; the frequency comes from the fit.
        let told = per_segment.iter().map(|o| Observation {
            phase_variance: 1e-12,
            ..*o
        });
        return (told.collect(), true);
    }
    let information = |s: usize, mean: &[Complex64]| -> f64 {
        guides
            .iter()
            .zip(mean)
            .map(|(&k, c)| {
                (k * k) as f64 * c.norm_sqr() / noise[k - 1].variances[s].max(f64::MIN_POSITIVE)
            })
            .sum()
    };
    let incoherent: Vec<Complex64> = guides
        .iter()
        .map(|&k| {
            let power: f64 = (0..count)
                .map(|s| shares[s] * (phasor(s, k).norm_sqr() - 2.0 * noise[k - 1].variances[s]))
                .sum();
            Complex64::new(power.max(0.0).sqrt(), 0.0)
        })
        .collect();
    let typical = (0..count).map(|s| information(s, &incoherent)).sum::<f64>() / count as f64;
    if typical * FOLLOWED < 1.0 {
        return (steady_phases(per_segment, guides, noise, phasor), false);
    }
    let mut presences: Vec<f64> = (0..count)
        .map(|s| presence(s, guides, &incoherent, noise, phasor))
        .collect();
    if presences.iter().all(|p| *p == 0.0) {
        presences.fill(1.0);
    }
    let heard: Vec<bool> = presences.iter().map(|p| *p > 0.0).collect();
    let heard_share: f64 = (0..count).filter(|&s| heard[s]).map(|s| shares[s]).sum();
    let heard_power: f64 = (0..count).map(|s| shares[s] * presences[s]).sum::<f64>() / heard_share;
    // Amplitude in segments where the series is heard in a part only, against the mean of those that hold it; 1 elsewhere.
    let parts: Vec<f64> = presences
        .iter()
        .map(|p| (p / heard_power).sqrt())
        .map(|part| if part < PART { part } else { 1.0 })
        .collect();
    let mut told: Vec<Observation> = per_segment
        .iter()
        .zip(&heard)
        .map(|(o, heard)| Observation {
            frequency_variance: if *heard {
                o.frequency_variance
            } else {
                f64::INFINITY
            },
            ..*o
        })
        .collect();
    // Start: the smoothed frequencies, integrated.
    let smooth = SmoothTrack::new(&told);
    let mut phases = vec![0.0; count];
    for s in 1..count {
        let dt = told[s].time_s - told[s - 1].time_s;
        let mean = 0.5 * (smooth.states[s].frequency_hz + smooth.states[s - 1].frequency_hz);
        phases[s] = phases[s - 1] + TAU * mean * dt;
    }
    let mut variances = vec![f64::INFINITY; count];
    for _ in 0..12 {
        let mean: Vec<Complex64> = guides
            .iter()
            .map(|&k| {
                (0..count)
                    .filter(|&s| heard[s])
                    .map(|s| shares[s] * phasor(s, k) * Complex64::cis(-(k as f64) * phases[s]))
                    .sum::<Complex64>()
                    / heard_share
            })
            .collect();
        let mut largest: f64 = 0.0;
        for s in (0..count).filter(|&s| heard[s]) {
            let known = information(s, &mean) * parts[s];
            let pull: f64 = guides
                .iter()
                .zip(&mean)
                .map(|(&k, c)| {
                    let turned = phasor(s, k) * Complex64::cis(-(k as f64) * phases[s]);
                    k as f64 * (c.conj() * turned).im
                        / noise[k - 1].variances[s].max(f64::MIN_POSITIVE)
                })
                .sum();
            let step = (pull / known.max(f64::MIN_POSITIVE)).clamp(-0.5, 0.5);
            phases[s] += step;
            variances[s] = 1.0 / (known * parts[s]).max(f64::MIN_POSITIVE);
            largest = largest.max(step.abs() / variances[s].sqrt());
        }
        if largest < 0.01 {
            break;
        }
    }
    for (o, (phase, variance)) in told.iter_mut().zip(phases.iter().zip(&variances)) {
        o.phase = *phase;
        o.phase_variance = *variance;
    }
    let runs = runs(&heard);
    if runs.len() > 1 {
        let divisor = guides.iter().copied().fold(0, gcd);
        join_runs(&mut told, &runs, TAU / divisor as f64);
    }
    (told, true)
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
fn presence(
    segment: usize,
    guides: &[usize],
    mean: &[Complex64],
    noise: &[OrderNoise],
    phasor: &dyn Fn(usize, usize) -> Complex64,
) -> f64 {
    // The guides' powers above noise, each weighted by what it tells of the phase.
    let (mut found, mut expected, mut spread) = (0.0, 0.0, 0.0);
    for (&k, c) in guides.iter().zip(mean) {
        let variance = noise[k - 1].variances[segment].max(f64::MIN_POSITIVE);
        let signal = c.norm_sqr() / variance;
        let weight = (k * k) as f64 * signal;
        found += weight * (phasor(segment, k).norm_sqr() / variance - 2.0);
        expected += weight * signal;
        spread += 4.0 * weight * weight;
    }
    let spread = f64::sqrt(spread);
    if expected < 6.0 * spread {
        return 1.0;
    }
    let chance = spread * (100.0 * noise[0].variances.len() as f64).ln();
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
    fn runs_are_those_of_heard_segments() {
        let heard = [true, false, false, true, true];
        assert_eq!(runs(&heard), [0..1, 3..5]);
        assert!(runs(&[false, false]).is_empty());
    }
}

//! From the segments' fits to the record's figures.
//!
//! Every harmonic turns with one common phase. The phase track is read from all resolved harmonics,
//! smoothed (see `track`), and taken out; what is left of each harmonic is averaged coherently, so
//! that a weak order gains the whole record's length though the mains wanders. Where the derotated
//! amplitude itself moves more than noise does, the mean of the segments' powers is used instead.

use super::measurement::LinePower;
use super::segment::SegmentFit;
use super::track::{Observation, SmoothTrack, State};
use crate::stats::{chi_square_cdf, chi_square_quantile};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Variance of one segment's phase up to which it is followed segment by segment, rad².
const FOLLOWED: f64 = 0.05;

/// Noise beside one order: variance of a coefficient in each segment, and degrees of freedom.
#[derive(Debug, Clone)]
pub(super) struct OrderNoise {
    pub(super) variances: Vec<f64>,
    pub(super) dof: f64,
}

/// One harmonic of the whole record.
#[derive(Debug, Clone)]
pub(super) struct CombinedHarmonic {
    /// Mean derotated amplitude, phase at the record's first sample.
    pub(super) amplitude: Complex64,
    /// Variance of its cosine and sine parts.
    pub(super) variance: f64,
    pub(super) power: LinePower,
    /// Variance of the phase at the first sample, rad².
    pub(super) phase_variance: f64,
}

/// A harmonic series of the whole record.
#[derive(Debug, Clone)]
pub(super) struct Combined {
    /// Mean fundamental, Hz.
    pub(super) frequency_hz: f64,
    pub(super) frequency_variance: f64,
    pub(super) harmonics: Vec<CombinedHarmonic>,
    /// Fundamental in each segment, Hz.
    pub(super) segment_frequencies_hz: Vec<f64>,
}

/// Combines segments at `rate` samples per second over a record of `samples`; orders up to
/// `highest_guide` tell the common phase.
pub(super) fn combine(
    segments: &[SegmentFit],
    noise: &[OrderNoise],
    highest_guide: usize,
    rate: f64,
    samples: usize,
) -> Combined {
    let orders = noise.len();
    let duration = samples as f64 / rate;
    let times: Vec<f64> = segments.iter().map(|s| s.centre / rate).collect();
    let frequencies: Vec<f64> = segments.iter().map(|s| s.fit.fundamental * rate).collect();
    let total: f64 = segments.iter().map(|s| s.fit.length as f64).sum();
    let shares: Vec<f64> = segments
        .iter()
        .map(|s| s.fit.length as f64 / total)
        .collect();
    let reference: f64 = frequencies.iter().zip(&shares).map(|(f, w)| f * w).sum();
    // Phasors against the reference's phase.
    let phasors: Vec<Complex64> = segments
        .iter()
        .zip(&times)
        .flat_map(|(segment, time)| {
            (1..=orders).map(move |k| {
                segment.fit.harmonics[k - 1]
                    * Complex64::cis(-TAU * (k as f64 * reference * time).fract())
            })
        })
        .collect();
    let phasor = |s: usize, k: usize| phasors[s * orders + k - 1];
    let guides = guides(segments, noise, highest_guide);
    let per_segment: Vec<Observation> = (0..segments.len())
        .map(|s| Observation {
            time_s: times[s],
            phase: 0.0,
            phase_variance: f64::INFINITY,
            frequency_hz: frequencies[s] - reference + segments[s].step.step * rate,
            frequency_variance: segments[s].step.variance * rate * rate,
        })
        .collect();
    let phases = common_phases(&per_segment, &guides, noise, &shares, &phasor);
    let track = SmoothTrack::new(&phases);
    let states = &track.states;
    let ends = (
        states.first().copied().unwrap_or_default(),
        states.last().copied().unwrap_or_default(),
    );
    let (start_phase, start_variance) =
        track.extrapolate(&ends.0, -times.first().copied().unwrap_or(0.0));
    let (frequency_hz, frequency_variance) = mean_frequency(
        &track,
        &ends,
        &times,
        duration,
        reference,
        start_phase,
        start_variance,
    );

    let harmonics = (1..=orders)
        .map(|k| {
            let order = &noise[k - 1];
            let turned: Vec<Complex64> = (0..segments.len())
                .map(|s| phasor(s, k) * Complex64::cis(-(k as f64) * states[s].phase))
                .collect();
            let mean: Complex64 = turned.iter().zip(&shares).map(|(c, w)| c * *w).sum();
            let variance: f64 = order
                .variances
                .iter()
                .zip(&shares)
                .map(|(v, w)| v * w * w)
                .sum();
            let unsteady = segments.len() > 1 && {
                let surplus: f64 = turned
                    .iter()
                    .zip(&order.variances)
                    .map(|(c, v)| (c - mean).norm_sqr() / v.max(f64::MIN_POSITIVE))
                    .sum();
                // One in 1000 records, whatever the number of orders.
                let level = 1.0 - 1e-3 / orders as f64;
                surplus > chi_square_quantile(level, 2.0 * (segments.len() - 1) as f64)
            };
            let power = if unsteady {
                let observed = 0.5
                    * turned
                        .iter()
                        .zip(&shares)
                        .map(|(c, w)| c.norm_sqr() * w)
                        .sum::<f64>();
                let noise_v2: f64 = order
                    .variances
                    .iter()
                    .zip(&shares)
                    .map(|(v, w)| v * w)
                    .sum();
                let spread: f64 = (0..segments.len())
                    .map(|s| {
                        let (v, w) = (order.variances[s], shares[s]);
                        w * w * v * ((turned[s].norm_sqr() - 2.0 * v).max(0.0) + v)
                    })
                    .sum();
                line_power(observed, noise_v2, spread, order.dof)
            } else {
                LinePower::new(0.5 * mean.norm_sqr(), variance, 2.0, order.dof)
            };
            let turn = Complex64::cis(k as f64 * start_phase);
            CombinedHarmonic {
                amplitude: mean * turn,
                variance,
                power,
                phase_variance: variance / mean.norm_sqr().max(f64::MIN_POSITIVE)
                    + (k * k) as f64 * start_variance,
            }
        })
        .collect();
    Combined {
        frequency_hz,
        frequency_variance,
        harmonics,
        segment_frequencies_hz: states.iter().map(|s| reference + s.frequency_hz).collect(),
    }
}

/// A sum of powers as scaled noncentral chi-square with matched mean, noise part and variance.
///
/// With s²/2 the scale, m components and noncentrality λ: noise s²m/2, signal s²λ/2, variance
/// s²(noise + 2·signal).
pub(super) fn line_power(observed: f64, noise: f64, variance: f64, dof: f64) -> LinePower {
    let signal = (observed - noise).max(0.0);
    let scale = variance / (noise + 2.0 * signal).max(f64::MIN_POSITIVE);
    LinePower::new(
        observed,
        noise,
        (2.0 * noise / scale.max(f64::MIN_POSITIVE)).max(1.0),
        dof,
    )
}

/// Orders whose power, summed over the segments, stands above the noise (one in 10,000 by chance).
fn guides(segments: &[SegmentFit], noise: &[OrderNoise], highest: usize) -> Vec<usize> {
    let dof = 2.0 * segments.len() as f64;
    let found: Vec<usize> = (1..=noise.len().min(highest))
        .filter(|&k| {
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

/// Adds the common phase of the guiding orders to the segments' frequencies.
fn common_phases(
    per_segment: &[Observation],
    guides: &[usize],
    noise: &[OrderNoise],
    shares: &[f64],
    phasor: &dyn Fn(usize, usize) -> Complex64,
) -> Vec<Observation> {
    let count = per_segment.len();
    if count < 2 {
        // One segment: the phase at its centre is where it is; the frequency comes from the fit.
        return per_segment
            .iter()
            .map(|o| Observation {
                phase_variance: 1e-12,
                ..*o
            })
            .collect();
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
    // Start: the smoothed frequencies, integrated.
    let smooth = SmoothTrack::new(per_segment);
    let mut phases = vec![0.0; count];
    for s in 1..count {
        let dt = per_segment[s].time_s - per_segment[s - 1].time_s;
        let mean = 0.5 * (smooth.states[s].frequency_hz + smooth.states[s - 1].frequency_hz);
        phases[s] = phases[s - 1] + TAU * mean * dt;
    }
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
        return steady_phases(per_segment, guides, noise, phasor, &smooth);
    }
    let mut variances = vec![0.0; count];
    for _ in 0..12 {
        let mean: Vec<Complex64> = guides
            .iter()
            .map(|&k| {
                (0..count)
                    .map(|s| shares[s] * phasor(s, k) * Complex64::cis(-(k as f64) * phases[s]))
                    .sum()
            })
            .collect();
        let mut largest: f64 = 0.0;
        for s in 0..count {
            let known = information(s, &mean);
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
            variances[s] = 1.0 / known.max(f64::MIN_POSITIVE);
            largest = largest.max(step.abs() / variances[s].sqrt());
        }
        if largest < 0.01 {
            break;
        }
    }
    per_segment
        .iter()
        .enumerate()
        .map(|(s, o)| Observation {
            phase: phases[s],
            phase_variance: variances[s],
            ..*o
        })
        .collect()
}

/// Weak series: one frequency for the whole record, where the coherent sum is largest near the
/// segments' pooled frequency.
fn steady_phases(
    per_segment: &[Observation],
    guides: &[usize],
    noise: &[OrderNoise],
    phasor: &dyn Fn(usize, usize) -> Complex64,
    smooth: &SmoothTrack,
) -> Vec<Observation> {
    let count = per_segment.len();
    let pooled = smooth.states[count / 2];
    // At least a third of a segment's cell either side: bursts make the pooled variance too small.
    let cell = (count as f64 - 1.0) / (per_segment[count - 1].time_s - per_segment[0].time_s);
    let reach = (4.0 * pooled.frequency_variance.sqrt()).max(0.3 * cell);
    let span = per_segment[count - 1].time_s - per_segment[0].time_s;
    let top = guides.iter().max().map_or(1, |&k| k) as f64;
    let steps = ((2.0 * reach * top * span / 0.1).ceil() as usize).clamp(20, 4000);
    let origin = 0.5 * (per_segment[count - 1].time_s + per_segment[0].time_s);
    let sums = |deviation: f64| -> Vec<(Complex64, f64)> {
        guides
            .iter()
            .map(|&k| {
                let mut sum = Complex64::default();
                let mut weight = 0.0;
                for (s, o) in per_segment.iter().enumerate() {
                    let w = 1.0 / noise[k - 1].variances[s].max(f64::MIN_POSITIVE);
                    sum += w
                        * phasor(s, k)
                        * Complex64::cis(-TAU * k as f64 * deviation * (o.time_s - origin));
                    weight += w;
                }
                (sum, weight)
            })
            .collect()
    };
    let score = |deviation: f64| {
        sums(deviation)
            .iter()
            .map(|(sum, w)| sum.norm_sqr() / w)
            .sum::<f64>()
    };
    let at = |i: usize| pooled.frequency_hz - reach + 2.0 * reach * i as f64 / steps as f64;
    let scores: Vec<f64> = (0..=steps).map(|i| score(at(i))).collect();
    let best = (0..=steps)
        .max_by(|&a, &b| scores[a].total_cmp(&scores[b]))
        .unwrap_or(0);
    let shift = if best == 0 || best == steps {
        0.0
    } else {
        let (a, b, c) = (scores[best - 1], scores[best], scores[best + 1]);
        let bend = a - 2.0 * b + c;
        if bend < 0.0 {
            0.5 * (a - c) / bend * (at(1) - at(0))
        } else {
            0.0
        }
    };
    let deviation = at(best) + shift;
    let known: f64 = sums(deviation)
        .iter()
        .zip(guides)
        .map(|((sum, w), &k)| (k * k) as f64 * sum.norm_sqr() / w / count as f64)
        .sum();
    per_segment
        .iter()
        .map(|o| Observation {
            phase: TAU * deviation * (o.time_s - origin),
            phase_variance: 1.0 / known.max(f64::MIN_POSITIVE),
            // Already used to find the phases' slope; kept out so that it is not counted twice.
            frequency_hz: deviation,
            frequency_variance: f64::INFINITY,
            ..*o
        })
        .collect()
}

/// Phase advance over the record divided by its length.
fn mean_frequency(
    track: &SmoothTrack,
    (first, last): &(State, State),
    times: &[f64],
    duration: f64,
    reference: f64,
    start_phase: f64,
    start_variance: f64,
) -> (f64, f64) {
    if track.walk == 0.0 {
        // Steady: the line's slope is the frequency everywhere.
        return (reference + first.frequency_hz, first.frequency_variance);
    }
    let behind = duration - times.last().copied().unwrap_or(0.0);
    let (end_phase, end_variance) = track.extrapolate(last, behind);
    let turns = TAU * duration;
    (
        reference + (end_phase - start_phase) / turns,
        (start_variance + end_variance) / (turns * turns),
    )
}

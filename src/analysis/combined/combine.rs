//! From the segments' fits to the record's figures.
//!
//! Every harmonic turns with one common phase. The phase track is read from all resolved harmonics,
//! smoothed (see `track`), and taken out; what is left of each harmonic is averaged coherently, so
//! that a weak order gains the whole record's length though the mains wanders. Where the derotated
//! amplitude itself moves more than noise does, the mean of the segments' powers is used instead.

use super::common_phase::{common_phases, guides};
use crate::analysis::series::SegmentFit;
use crate::analysis::series::{Observation, SmoothTrack, State};
use crate::stats::LinePower;
use crate::stats::chi_square_quantile;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Random walk of a grid's frequency, Hz/√s (common practice, no source).
pub(crate) const GRID_WALK: f64 = 5e-3;

/// Noise beside one order: variance of a coefficient in each segment, and degrees of freedom.
#[derive(Debug, Clone)]
pub(crate) struct OrderNoise {
    pub(crate) variances: Vec<f64>,
    pub(crate) dof: f64,
    /// Whether the order may tell the common phase.
    pub(crate) guides: bool,
}

/// One harmonic of the whole record.
#[derive(Debug, Clone)]
pub(crate) struct CombinedHarmonic {
    /// Mean derotated amplitude, phase at the record's first sample.
    pub(crate) amplitude: Complex64,
    /// Variance of its cosine and sine parts.
    pub(crate) variance: f64,
    pub(crate) power: LinePower,
    /// Variance of the phase at the first sample, rad².
    pub(crate) phase_variance: f64,
    /// Whether its amplitude moves from segment to segment by more than noise does.
    pub(crate) unsteady: bool,
}

/// A harmonic series of the whole record.
#[derive(Debug, Clone)]
pub(crate) struct Combined {
    /// Mean fundamental, Hz.
    pub(crate) frequency_hz: f64,
    pub(crate) frequency_variance: f64,
    pub(crate) harmonics: Vec<CombinedHarmonic>,
    /// Whether single segments tell the common phase.
    pub(crate) followed: bool,
    /// Whether the figures are those of tracks.
    pub(crate) tracked: bool,
    /// Intensity of the frequency's random walk that the track shows, Hz²/s; 0: steady.
    pub(crate) walk: f64,
    /// Fundamental in each segment, Hz.
    pub(crate) segment_frequencies_hz: Vec<f64>,
}

impl Combined {
    /// What a record says of a series of which nothing was fitted.
    fn nothing(orders: usize, frequency_hz: f64, segment_frequencies_hz: Vec<f64>) -> Self {
        let silent = CombinedHarmonic {
            amplitude: Complex64::default(),
            variance: 0.0,
            power: LinePower::default(),
            phase_variance: f64::INFINITY,
            unsteady: false,
        };
        Self {
            frequency_hz,
            frequency_variance: f64::INFINITY,
            harmonics: vec![silent; orders],
            segment_frequencies_hz,
            followed: false,
            tracked: false,
            walk: 0.0,
        }
    }
}

/// Combines segments at `rate` samples per second over a record of `samples`; orders up to
/// `highest_guide` tell the common phase.
pub(crate) fn combine(
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
    if segments.is_empty() || orders == 0 {
        return Combined::nothing(orders, reference, frequencies);
    }
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
    let (phases, followed) = common_phases(&per_segment, &guides, noise, &shares, &phasor);
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
                unsteady,
                phase_variance: variance / mean.norm_sqr().max(f64::MIN_POSITIVE)
                    + (k * k) as f64 * start_variance,
            }
        })
        .collect();
    Combined {
        frequency_hz,
        frequency_variance,
        harmonics,
        followed,
        tracked: false,
        walk: track.walk,
        segment_frequencies_hz: states.iter().map(|s| reference + s.frequency_hz).collect(),
    }
}

/// A sum of powers as scaled noncentral chi-square with matched mean, noise part and variance.
///
/// With s²/2 the scale, m components and noncentrality λ: noise s²m/2, signal s²λ/2, variance
/// s²(noise + 2·signal).
pub(crate) fn line_power(observed: f64, noise: f64, variance: f64, dof: f64) -> LinePower {
    let signal = (observed - noise).max(0.0);
    let scale = variance / (noise + 2.0 * signal).max(f64::MIN_POSITIVE);
    LinePower::new(
        observed,
        noise,
        (2.0 * noise / scale.max(f64::MIN_POSITIVE)).max(1.0),
        dof,
    )
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

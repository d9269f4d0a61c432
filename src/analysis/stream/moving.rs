//! A short record whose hum moves, or stands beside something else: its figures from tracks instead of constants.

use super::density::density;
use super::noise::floor;
use super::segmented::Segmented;
use super::stream_fit::{RecordFit, StreamFit};
use crate::analysis::combination::{BlockPhases, Combined, CombinedHarmonic, WalkAllowance};
use crate::analysis::series::{LIVELY_WALK, SeriesFit};
use crate::hum::track::{TrackFit, TrackInput, fit_tracks};
use crate::hum::{Presence, Present};
use rustfft::num_complex::Complex64;

/// Cycles of records that are fitted with tracks: fewer do not part them, more are followed segment by segment.
const CYCLES: (f64, f64) = (6.0, 650.0);
/// Deviations by which tracks and lines may differ in the mean frequency, beside what a lively grid walks.
const AGREE: f64 = 5.0;
/// The same where the tracks' frequency wanders, beside what the segments say of it.
const AGREE_ON_WANDER: f64 = 3.5;
/// Blocks of a single segment whose phases are told apart, at most.
const MOST_BLOCKS: usize = 10;
/// |c|² over its variance from which an order tells phase.
const STANDS: f64 = 20.0;
/// Probability of a steady frequency below which a walk is proved.
const PROVED: f64 = 1e-3;

/// Puts the figures of tracks in the place of constant ones where the record's hum moves or holds something else
/// (`left_out`: samples that are not to be trusted). Constant ones of a single segment are given what a walk of the
/// frequency may have done to them.
pub(super) fn follow_tracks(segmented: &Segmented<'_>, fit: &mut StreamFit, left_out: &[bool]) {
    let Presence::Present(seen) = fit.record.presence.clone() else {
        return;
    };
    if fit.record.interval.is_some() {
        return;
    }
    let allowance = block_phases(segmented, fit).and_then(|blocks| blocks.allowance());
    let steady = allowance.is_none_or(|a| a.steady > PROVED);
    if let Some(track) = tracks(segmented, &fit.record, &seen, left_out, steady) {
        take_figures(&mut fit.record, &track);
        read_noise(segmented, fit, &track);
    } else if let Some(allowance) = allowance {
        let record = &mut fit.record;
        let alone = record.tones.is_empty() && seen.foreign.is_empty() && !record.other.is_some();
        let allowance = if alone {
            allowance
        } else {
            allowance.unmoved()
        };
        allow_for(&mut record.combined, &allowance);
    }
}

/// The tracks, where the record calls for them and they are sound; `steady`: the phase within a segment does not move.
fn tracks(
    segmented: &Segmented<'_>,
    record: &RecordFit,
    seen: &Present,
    left_out: &[bool],
    steady: bool,
) -> Option<TrackFit> {
    let stream = segmented.stream();
    let duration_s = stream.samples.len() as f64 / stream.rate_hz;
    let cycles = duration_s * seen.fundamental_hz;
    let plain = steady
        && record.combined.walk == 0.0
        && record.settings.moved.iter().all(|m| *m <= 1.0)
        && !record.other.is_some()
        && !seen.drifts;
    // A line near an order would be taken for its movement.
    if plain || !seen.foreign.is_empty() || !(CYCLES.0..CYCLES.1).contains(&cycles) {
        return None;
    }
    let weights: Vec<f64> = left_out
        .iter()
        .map(|out| f64::from(u8::from(!out)))
        .collect();
    let tones_hz: Vec<f64> = record
        .tones
        .iter()
        .map(|t| t.combined.frequency_hz)
        .collect();
    let input = TrackInput {
        samples: &stream.samples,
        weights: (!weights.is_empty()).then_some(&weights),
        rate_hz: stream.rate_hz,
        fundamental_hz: seen.fundamental_hz,
        orders: record.orders,
        tones_hz: &tones_hz,
    };
    let track = fit_tracks(&input).filter(is_sound)?;
    (seen.drifts || agrees(&track, record, seen, duration_s)).then_some(track)
}

/// Whether the tracks' mean frequency is one that the lines allow. A track that wanders must agree with the segments, which
/// follow the frequency too: what else is in a record, or hum that comes and goes, bends a track more than lines of a second.
fn agrees(track: &TrackFit, record: &RecordFit, seen: &Present, duration_s: f64) -> bool {
    let lively = LIVELY_WALK * LIVELY_WALK * duration_s / 80.0;
    let within = |other_hz: f64, variance: f64, deviations: f64| {
        let apart = (track.frequency_hz - other_hz).powi(2);
        apart <= deviations * deviations * (track.frequency_variance + variance)
    };
    let walked = if record.segments.len() > 1 {
        0.0
    } else {
        lively
    };
    let combined = &record.combined;
    let refuted = track.wander.is_proved()
        && !within(
            combined.frequency_hz,
            combined.frequency_variance + walked,
            AGREE_ON_WANDER,
        );
    let uncertainty = seen.uncertainty_hz.powi(2) + lively;
    !refuted && within(seen.fundamental_hz, uncertainty, AGREE)
}

/// The phase of blocks of a single segment beside its fit: what is left, against the series' change with phase, each order
/// weighted by its noise.
fn block_phases(segmented: &Segmented<'_>, fit: &StreamFit) -> Option<BlockPhases> {
    let record = &fit.record;
    let [segment] = record.segments.as_slice() else {
        return None;
    };
    let settings = &record.settings;
    let count = fit.residual.len();
    let cycles = (segment.fit.fundamental * count as f64) as usize;
    let blocks = MOST_BLOCKS.min(cycles);
    let length = count.checked_div(blocks)?;
    let mut known = 0.0;
    let harmonics = segment
        .fit
        .harmonics
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let order = (i + 1) as f64;
            let noise = *settings.noise.get(i + 1).unwrap_or(&f64::INFINITY);
            let stands = c.norm_sqr() > STANDS * settings.coefficient_variance(i + 1, count);
            if !stands || settings.muted.contains(&(i + 1)) || !(noise > 0.0) {
                return Complex64::default();
            }
            known += 0.5 * order * order * c.norm_sqr() / noise;
            Complex64::new(0.0, order) * c / noise
        })
        .collect();
    let slope = SeriesFit {
        harmonics,
        offset: 0.0,
        drift: 0.0,
        ..segment.fit
    };
    let mut template = vec![0.0; count];
    slope.subtract_harmonics(&mut template);
    let whole = length as f64 * known;
    let told = |(left, slope): (&[f64], &[f64])| -> f64 {
        left.iter().zip(slope).map(|(r, s)| -r * s).sum::<f64>() / whole
    };
    let parts = fit.residual.chunks_exact(length);
    let phases = parts.zip(template.chunks_exact(length)).map(told);
    Some(BlockPhases {
        phases: phases.take(blocks).collect(),
        variance: 1.0 / whole,
        duration_s: count as f64 / segmented.rate_hz(),
    })
}

/// Figures of a constant frequency with what a walk may have done to them.
fn allow_for(combined: &mut Combined, allowance: &WalkAllowance) {
    combined.frequency_hz += allowance.frequency_hz.value;
    combined.frequency_variance += allowance.frequency_hz.variance;
    for (i, own) in combined.harmonics.iter_mut().enumerate() {
        let order = (i + 1) as f64;
        own.amplitude *= Complex64::cis(order * allowance.start.value);
        own.phase_variance += order * order * allowance.start.variance;
    }
}

/// The noise beside the tracks.
fn read_noise(segmented: &Segmented<'_>, fit: &mut StreamFit, track: &TrackFit) {
    let record = &mut fit.record;
    let series = track.series(segmented.rate_hz(), segmented.samples().len());
    let tones: Vec<_> = record.tones.iter().map(|t| t.segments.clone()).collect();
    let mut residual = segmented.residual(&[], &tones);
    for (r, s) in residual.iter_mut().zip(&series) {
        *r -= s;
    }
    let density = density(&fit.estimator, &residual, segmented.rate_hz());
    let mut settings = record.settings.clone();
    settings.moved.clear();
    record.floor = floor(
        &segmented.frame(),
        &fit.estimator,
        &density,
        &settings,
        &record.segments,
        &tones,
    );
    record.residual_rms =
        (residual.iter().map(|r| r * r).sum::<f64>() / residual.len().max(1) as f64).sqrt();
    fit.density = density;
    fit.residual = residual;
    fit.track_series = series;
}

/// Whether every figure is finite.
fn is_sound(track: &TrackFit) -> bool {
    track.frequency_hz.is_finite()
        && (0.0..f64::INFINITY).contains(&track.frequency_variance)
        && track.orders.iter().all(|o| {
            o.amplitude.is_finite()
                && o.power.observed_v2.is_finite()
                && o.power.noise_v2.is_finite()
        })
}

fn take_figures(fit: &mut RecordFit, track: &TrackFit) {
    let mut combined = Combined {
        frequency_hz: track.frequency_hz,
        frequency_variance: track.frequency_variance,
        walk: if track.wander.is_proved() {
            track.wander.rms.powi(2)
        } else {
            0.0
        },
        followed: true,
        tracked: true,
        ..fit.combined.clone()
    };
    for order in &track.orders {
        if fit.settings.muted.contains(&order.order) {
            continue;
        }
        let Some(own) = combined.harmonics.get_mut(order.order - 1) else {
            continue;
        };
        *own = CombinedHarmonic {
            amplitude: order.amplitude,
            variance: order.power.noise_v2,
            power: order.power,
            phase_variance: order.phase_variance,
            unsteady: track.modulation.is_proved(),
        };
    }
    fit.combined = combined;
}

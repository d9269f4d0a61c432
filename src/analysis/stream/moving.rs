//! A short record whose hum moves, or stands beside something else: its figures from tracks instead of constants.

use super::density::density;
use super::noise::floor;
use super::segmented::Segmented;
use super::stream_fit::{RecordFit, StreamFit};
use crate::analysis::combination::{Combined, CombinedHarmonic};
use crate::hum::Presence;
use crate::hum::track::{TrackFit, TrackInput, fit_tracks};

/// Cycles of records that are fitted with tracks: fewer do not part them, more are followed segment by segment.
const CYCLES: (f64, f64) = (6.0, 650.0);
/// Deviations by which tracks and lines may differ in the mean frequency.
const AGREE: f64 = 5.0;
/// Random walk of a grid's frequency within which they may, Hz/√s: a lively one's.
const LIVELY_WALK: f64 = 0.05;

/// Puts the figures of tracks in the place of constant ones where the record's hum moves or holds something else
/// (`left_out`: samples that are not to be trusted).
pub(super) fn follow_tracks(segmented: &Segmented<'_>, fit: &mut StreamFit, left_out: &[bool]) {
    let record = &fit.record;
    let Presence::Present(seen) = record.presence.clone() else {
        return;
    };
    let stream = segmented.stream();
    let duration_s = stream.samples.len() as f64 / stream.rate_hz;
    let cycles = duration_s * seen.fundamental_hz;
    let plain = record.combined.walk == 0.0
        && record.settings.moved.iter().all(|m| *m <= 1.0)
        && !record.other.is_some()
        && !seen.drifts;
    // A line near an order would be taken for its movement.
    if plain
        || !seen.foreign.is_empty()
        || record.interval.is_some()
        || !(CYCLES.0..CYCLES.1).contains(&cycles)
    {
        return;
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
    let Some(track) = fit_tracks(&input).filter(is_sound) else {
        return;
    };
    let apart = (track.frequency_hz - seen.fundamental_hz).powi(2);
    let own = track.frequency_variance
        + seen.uncertainty_hz.powi(2)
        + LIVELY_WALK * LIVELY_WALK * duration_s / 80.0;
    if !seen.drifts && apart > AGREE * AGREE * own {
        return;
    }
    take_figures(&mut fit.record, &track);
    read_noise(segmented, fit, &track);
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

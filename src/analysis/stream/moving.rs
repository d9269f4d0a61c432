//! A short record whose hum moves, or stands beside something else: its figures from tracks instead of constants.

use super::density::density;
use super::doubted::order_strays;
use super::noise::floor;
use super::segmented::Segmented;
use super::stream_fit::{RecordFit, StreamFit};
use crate::analysis::combination::{
    BlockPhases, Combined, CombinedHarmonic, WalkAllowance, agreement, hangs_on_one,
};
use crate::analysis::record::Stream;
use crate::analysis::series::{LIVELY_WALK, SeriesFit};
use crate::hum::track::{TrackFit, TrackInput, fit_tracks};
use crate::hum::{Presence, Present};
use crate::stats::rms_about_mean;
use rustfft::num_complex::Complex64;
use std::borrow::Cow;
use std::f64::consts::TAU;

/// Cycles of records that are fitted with tracks: fewer do not part them, more are followed segment by segment.
const CYCLES: (f64, f64) = (6.0, 650.0);
/// Deviations by which tracks and lines may differ in the mean frequency, beside what a lively grid walks.
const AGREE: f64 = 5.0;
/// The same where the tracks' frequency wanders, beside what the segments say of it.
const AGREE_ON_WANDER: f64 = 3.5;
/// Segments up to which they do not tell a walk of the frequency by themselves.
const MOST_SEGMENTS: usize = 2;
/// The same where their blocks prove one: a step of the frequency turns blocks by more than it moves the segments' frequencies.
const MOST_PROVED: usize = 8;
/// Blocks of a record whose phases are told apart, at most.
const MOST_BLOCKS: usize = 10;
/// |c|² over its variance from which an order tells phase.
const STANDS: f64 = 20.0;
/// Probability of a steady frequency below which a walk is proved.
const PROVED: f64 = 1e-3;

/// Power of a series over the record's, beyond which its tracks stand against something else: parts of a cycle make it a little more.
const MOST_POWER: f64 = 2.0;
/// Power that tracks leave over what steady lines do, from which they are not what they follow: they bend, and lines do not.
const LEFT: f64 = 1.2;
/// Power that tracks leave, against what steady lines and tones leave, from which the tones are their movement.
const EXPLAINED: f64 = 0.1;
/// Ends of a record whose phase beside a track is looked at: share of the record, and cycles at least.
const ENDS: f64 = 1.0 / 16.0;
const END_CYCLES: f64 = 2.0;

/// Puts the figures of tracks in the place of constant ones where the record's hum moves or holds something else
/// (`left_out`: samples that are not to be trusted). Constant ones of a single segment are given what a walk of the
/// frequency may have done to them.
pub(super) fn follow_tracks(segmented: &Segmented<'_>, fit: &mut StreamFit, left_out: &[bool]) {
    widen_by_scatter(fit, segmented.rate_hz());
    let Presence::Present(seen) = fit.record.presence.clone() else {
        return;
    };
    let few = fit.record.segments.len() <= MOST_SEGMENTS;
    let allowance = block_phases(segmented, fit)
        .and_then(|blocks| blocks.allowance())
        .filter(|allowance| few || allowance.steady <= PROVED);
    if fit.record.interval.is_some() {
        if let Some(allowance) = allowance {
            allow_for(&mut fit.record.combined, &allowance.unmoved());
        }
        return;
    }
    let steady = allowance.is_none_or(|a| a.steady > PROVED);
    if let Some((track, alone)) = tracks(segmented, &fit.record, &seen, left_out, steady) {
        if alone {
            fit.record.tones.clear();
        }
        take_figures(&mut fit.record, &track);
        read_noise(segmented, fit, &track);
        if track.wander.is_proved() {
            fit.record.combined.frequency_variance += frequency_left(fit, segmented.rate_hz());
        }
    } else if let Some(allowance) = allowance {
        let record = &mut fit.record;
        let alone = record.tones.is_empty() && seen.foreign.is_empty() && !record.other.is_some();
        if alone && !steady {
            record.combined.walk = record.combined.walk.max(allowance.frequency_hz.variance);
        }
        let allowance = if alone {
            allowance
        } else {
            allowance.unmoved()
        };
        allow_for(&mut record.combined, &allowance);
    }
}

/// Makes the frequency as uncertain as it hangs on one of the orders where they do not agree, and that of few cycles as they scatter.
fn widen_by_scatter(fit: &mut StreamFit, rate_hz: f64) {
    let few = fit.record.presence.is_of_few_cycles();
    // What bounded samples leave is not noise alone.
    if fit.record.interval.is_some() && !few {
        return;
    }
    let strays = order_strays(fit);
    let combined = &mut fit.record.combined;
    if let Some(all) = agreement(&strays) {
        if few {
            combined.frequency_variance *= all.ratio;
        }
        combined.orders_apart = hangs_on_one(&strays) * rate_hz * rate_hz;
    }
}

/// The tracks, where the record calls for them and they are sound, and whether they describe it without the tones; `steady`: the
/// phase within a segment does not move.
fn tracks(
    segmented: &Segmented<'_>,
    record: &RecordFit,
    seen: &Present,
    left_out: &[bool],
    steady: bool,
) -> Option<(TrackFit, bool)> {
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
    let power = rms_about_mean(&stream.samples).powi(2);
    let fit_with = |tones_hz: &[f64]| {
        let input = TrackInput {
            samples: &stream.samples,
            weights: (!weights.is_empty()).then_some(&weights),
            rate_hz: stream.rate_hz,
            fundamental_hz: seen.fundamental_hz,
            orders: record.orders,
            tones_hz,
        };
        fit_tracks(&input).filter(|track| is_sound(track, power))
    };
    let left = |track: &TrackFit| {
        let series = track.series(stream.rate_hz, stream.samples.len());
        let kept = |n: &usize| weights.get(*n).is_none_or(|w| *w > 0.0);
        let left = (0..series.len()).filter(kept);
        let left: Vec<f64> = left.map(|n| stream.samples[n] - series[n]).collect();
        rms_about_mean(&left).powi(2)
    };
    let tones = record
        .tones
        .iter()
        .flat_map(|tone| &tone.combined.harmonics);
    let tones_v2: f64 = tones.map(|line| line.power.observed_v2).sum();
    let steady = record.residual_rms.powi(2) + tones_v2;
    let track = fit_with(&tones_hz).filter(|track| left(track) < LEFT * steady)?;
    if seen.drifts || agrees(&track, record, seen, stream) {
        return Some((track, false));
    }
    if tones_hz.is_empty() || !track.wander.is_proved() {
        return None;
    }
    // Lines beside orders may be their movement's: tracks that leave far less without them than lines leave with them say so. Two
    // lines that beat move the amplitude as well.
    let track = fit_with(&[]).filter(|track| !track.modulation.is_proved())?;
    let explained = left(&track) < EXPLAINED * record.residual_rms.powi(2);
    explained.then_some((track, true))
}

/// Whether the tracks' frequency is one that segments and lines allow. A track that wanders must say what single segments say, which
/// follow the frequency too: what else is in a record, or hum that comes and goes, bends a track more than lines of a second.
fn agrees(track: &TrackFit, record: &RecordFit, seen: &Present, stream: &Stream) -> bool {
    let duration_s = stream.samples.len() as f64 / stream.rate_hz;
    let lively = LIVELY_WALK * LIVELY_WALK * duration_s / 80.0;
    let within = |apart_hz: f64, variance: f64, deviations: f64| {
        apart_hz.powi(2) <= deviations * deviations * (track.frequency_variance + variance)
    };
    let combined = &record.combined;
    let wanders = track.wander.is_proved();
    // Where nothing else bends it: segments tell the slope of the phase, and the highest peak stands anywhere in the range.
    let alone = wanders && record.tones.is_empty() && !record.other.is_some();
    let apart = if alone {
        slope_apart(track, record, stream.rate_hz)
    } else {
        track.frequency_hz - combined.frequency_hz
    };
    let walked = if alone || record.segments.len() > 1 {
        0.0
    } else {
        lively
    };
    let refuted = wanders && !within(apart, combined.frequency_variance + walked, AGREE_ON_WANDER);
    let swings = if alone { track.wander.rms.powi(2) } else { 0.0 };
    let uncertainty = seen.uncertainty_hz.powi(2) + lively + swings;
    !refuted && within(track.frequency_hz - seen.fundamental_hz, uncertainty, AGREE)
}

/// By how much steady lines of single segments would have another frequency than they have if the tracks were right, in the mean.
fn slope_apart(track: &TrackFit, record: &RecordFit, rate_hz: f64) -> f64 {
    let apart = record.segments.iter().map(|segment| {
        let half = 0.5 * segment.fit.length as f64;
        let span_s = (segment.centre - half) / rate_hz..(segment.centre + half) / rate_hz;
        track.slope_hz(span_s, record.settings.weighting) - segment.fit.fundamental * rate_hz
    });
    apart.sum::<f64>() / record.segments.len().max(1) as f64
}

/// The phase of blocks of a record beside a series of constant frequency: what is left, against the series' change with phase, each
/// order weighted by its noise. `None` of more segments than tell a walk by themselves.
fn block_phases(segmented: &Segmented<'_>, fit: &StreamFit) -> Option<BlockPhases> {
    let record = &fit.record;
    let (rate_hz, count) = (segmented.rate_hz(), fit.residual.len());
    let middle = 0.5 * (count as f64 - 1.0);
    let constant = |fundamental: f64, harmonics| SeriesFit {
        fundamental,
        harmonics,
        offset: 0.0,
        drift: 0.0,
        length: count,
    };
    let (series, residual) = match record.segments.as_slice() {
        [segment] => (segment.fit.clone(), Cow::Borrowed(&fit.residual)),
        segments if segments.len() <= MOST_PROVED => {
            let fundamental = record.combined.frequency_hz / rate_hz;
            let orders = record.combined.harmonics.iter().enumerate();
            let about_middle = orders.map(|(i, own)| {
                let turns = fundamental * (i + 1) as f64 * middle;
                own.amplitude * Complex64::cis(TAU * turns.fract())
            });
            let series = constant(fundamental, about_middle.collect());
            let mut left = segmented.residual(&[], &record.tone_segments());
            series.subtract_harmonics(&mut left);
            (series, Cow::Owned(left))
        }
        _ => return None,
    };
    let settings = &record.settings;
    let cycles = (series.fundamental * count as f64) as usize;
    let blocks = MOST_BLOCKS.min(cycles);
    let length = count.checked_div(blocks)?;
    let mut known = 0.0;
    let harmonics = series
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
    let slope = constant(series.fundamental, harmonics);
    let mut template = vec![0.0; count];
    slope.subtract_harmonics(&mut template);
    let whole = length as f64 * known;
    let told = |(left, slope): (&[f64], &[f64])| -> f64 {
        left.iter().zip(slope).map(|(r, s)| -r * s).sum::<f64>() / whole
    };
    let parts = residual.chunks_exact(length);
    let phases = parts.zip(template.chunks_exact(length)).map(told);
    Some(BlockPhases {
        phases: phases.take(blocks).collect(),
        variance: 1.0 / whole,
        duration_s: count as f64 / rate_hz,
    })
}

/// Square of what the record's ends still say of the mean frequency beside a track, Hz²: a track that bends is held too straight
/// at its ends. Beyond what noise says.
fn frequency_left(fit: &StreamFit, rate_hz: f64) -> f64 {
    let series = &fit.track_series;
    let turn = TAU * fit.record.combined.frequency_hz / rate_hz;
    let (count, cycle) = (series.len(), TAU / turn);
    let length = (ENDS * count as f64).max(END_CYCLES * cycle) as usize;
    if length >= count / 2 {
        return 0.0;
    }
    let noise = fit.record.residual_rms.powi(2);
    // Phase left over some samples, from the series' change with phase, and its variance.
    let phase = |from: usize| {
        let slope = |n: usize| (series[n + 1] - series[n - 1]) / (2.0 * turn);
        let (mut product, mut square) = (0.0, f64::MIN_POSITIVE);
        for n in from..from + length {
            product += fit.residual[n] * slope(n);
            square += slope(n).powi(2);
        }
        (product / square, noise / square)
    };
    let ((start, of_start), (end, of_end)) = (phase(1), phase(count - 1 - length));
    let gained_s = TAU * count as f64 / rate_hz;
    let beyond = (end - start).powi(2) - of_start - of_end;
    beyond.max(0.0) / gained_s.powi(2)
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
    let tones = record.tone_segments();
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
    record.residual_rms = rms_about_mean(&residual);
    fit.density = density;
    fit.residual = residual;
    fit.track_series = series;
}

/// Whether every figure is finite, and the series has no more power than a record whose mean square about the mean is `power`.
fn is_sound(track: &TrackFit, power: f64) -> bool {
    let own: f64 = track.orders.iter().map(|o| o.power.observed_v2).sum();
    own <= MOST_POWER * power
        && track.frequency_hz.is_finite()
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

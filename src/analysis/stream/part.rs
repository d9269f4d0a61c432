//! A record whose hum is there for a part of it only: what was switched on, off, or both.
//!
//! The part is fitted as a record of its own, the rest without hum. Amplitudes are brought to the whole record's RMS;
//! frequency and phases are those of the part.

use super::segmented::Segmented;
use super::stream_fit::{Known, RecordFit, StreamFit};
use super::whole::fit_whole;
use crate::analysis::combination::{Combined, CombinedHarmonic};
use crate::analysis::details::Details;
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::Stream;
use crate::hum::{Presence, Span, part_with_hum};
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Analyses a stream; with something `known`, from there.
pub(crate) fn fit_stream(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
) -> StreamFit {
    let by_part = match known {
        Some(_) => None,
        None => fit_by_part(stream, options),
    };
    by_part.unwrap_or_else(|| fit_whole(stream, options, known))
}

/// The fit of a stream by the part of it that holds the hum; `None` where that is all of it, or not told from it.
fn fit_by_part(stream: &Stream, options: &MeasureOptions) -> Option<StreamFit> {
    if !stream.gaps.is_empty() {
        return None;
    }
    let nominals_hz = options.mains.nominals_hz();
    let (span, _) = part_with_hum(&stream.samples, stream.rate_hz, nominals_hz)?;
    let part = cut(stream, &span);
    let on = fit_whole(&part, options, None);
    if !matches!(on.record.presence, Presence::Present(_)) {
        return None;
    }
    let mut rest = stream.clone();
    for (x, s) in rest.samples[span.samples.clone()]
        .iter_mut()
        .zip(series(&part, options, &on))
    {
        *x -= s;
    }
    let rest = fit_whole(&rest, options, None);
    Some(joined(stream, options, (on, rest), &span))
}

fn cut(stream: &Stream, span: &Span) -> Stream {
    let mut samples = stream.samples[span.samples.clone()].to_vec();
    let mean = samples.iter().sum::<f64>() / samples.len().max(1) as f64;
    samples.iter_mut().for_each(|x| *x -= mean);
    Stream {
        samples,
        gaps: Vec::new(),
        ..*stream
    }
}

/// The series of a fitted stream.
fn series(stream: &Stream, options: &MeasureOptions, fit: &StreamFit) -> Vec<f64> {
    if !fit.track_series.is_empty() {
        return fit.track_series.clone();
    }
    let mut series = vec![0.0; stream.samples.len()];
    Segmented::new(stream, options).subtract(&fit.record.segments, &mut series);
    series.iter_mut().for_each(|x| *x = -*x);
    series
}

/// The whole record: mains of the part that holds it, the rest of what is left without it.
fn joined(
    stream: &Stream,
    options: &MeasureOptions,
    (on, rest): (StreamFit, StreamFit),
    span: &Span,
) -> StreamFit {
    let first = span.samples.start as f64;
    let on = on.record;
    let mut segments = on.segments;
    for segment in &mut segments {
        segment.centre += first;
    }
    let combined = over_the_whole(&on.combined, stream, span);
    let whole = Details::new(stream, options, &segments, combined.frequency_hz);
    let record = RecordFit {
        nominal_hz: on.nominal_hz,
        decided: on.decided,
        orders: on.orders,
        settings: on.settings,
        segments,
        combined,
        noise: on.noise,
        details: on.details.with_groups_of(whole),
        presence: on.presence,
        part_s: Some((
            first / stream.rate_hz,
            span.samples.end as f64 / stream.rate_hz,
        )),
        ..rest.record
    };
    StreamFit { record, ..rest }
}

/// Amplitudes over the whole record, phases at its first sample.
fn over_the_whole(on: &Combined, stream: &Stream, span: &Span) -> Combined {
    let whole = stream.samples.len() as f64;
    let length = span.samples.len() as f64;
    let share = length / whole;
    // Share's variance over its square: that of a power.
    let of_share = span.length_variance / (length * length);
    let before_s = span.samples.start as f64 / stream.rate_hz;
    let harmonics = on
        .harmonics
        .iter()
        .enumerate()
        .map(|(i, own)| {
            let turn = TAU * (i + 1) as f64 * before_s;
            let (phase, by_frequency) = (own.phase_variance, turn * turn * on.frequency_variance);
            // Phase at the part's start and frequency err against each other, by √3/2 in a fit of a line.
            let phase_variance = phase + by_frequency + 3f64.sqrt() * (phase * by_frequency).sqrt();
            let signal = (own.power.observed_v2 - own.power.noise_v2).max(0.0);
            let noise = own.power.noise_v2 + 0.5 * signal * of_share;
            CombinedHarmonic {
                amplitude: own.amplitude
                    * Complex64::from_polar(share.sqrt(), -turn * on.frequency_hz),
                variance: own.variance * share,
                power: LinePower::new(
                    share * (own.power.observed_v2 - own.power.noise_v2 + noise),
                    share * noise,
                    own.power.components,
                    own.power.noise_dof,
                ),
                phase_variance: if phase_variance.is_finite() {
                    phase_variance
                } else {
                    f64::INFINITY
                },
                unsteady: own.unsteady,
            }
        })
        .collect();
    Combined {
        harmonics,
        ..on.clone()
    }
}

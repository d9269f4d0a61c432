//! A record whose hum is there for a part of it only (what was switched on, off, or both), or steps between levels.
//!
//! The parts are fitted as records of their own, the rest without hum. Amplitudes are brought to the whole record's RMS;
//! frequency and phases are those of the parts.

use super::segmented::Segmented;
use super::stream_fit::{HumCourse, Known, RecordFit, StreamFit};
use super::whole::fit_whole;
use crate::analysis::combination::{Combined, CombinedHarmonic, OrderNoise};
use crate::analysis::details::Details;
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::Stream;
use crate::analysis::series::SegmentFit;
use crate::hum::{
    Presence, Section, is_looked_through, part_with_hum, sections, sections_of_phase,
    sections_of_series,
};
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Shortest section of next to no hum in which it is looked for, s: five cycles of the slower grid.
const LEAST_HEARD_S: f64 = 0.1;
/// Power over its noise from which an order tells whether the series changes, and the most that do.
const STANDS: f64 = 6.0;
const MOST_TOLD: usize = 6;
/// Most noise that fits of parts are taken to have taken, against what is left.
const MOST_TAKEN: f64 = 0.5;
/// RMS of what a fit by parts leaves against one fit's, which may have left out samples, from which it does not describe the record.
const NO_BETTER: f64 = 1.5;
/// Noise over an order's power up to which it tells a turn, and cycles by which the edge between two frequencies is misplaced at
/// most.
const PHASE_KNOWN: f64 = 0.05;
const EDGE_MISSED_CYCLES: f64 = 3.0;
/// Squared deviations, for each part but one, from which the frequencies of parts differ.
const DISAGREE: f64 = 9.0;

/// Analyses a stream; with something `known`, from there.
pub(crate) fn fit_stream(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
) -> StreamFit {
    if known.is_some() || !stream.gaps.is_empty() {
        return fit_whole(stream, options, known);
    }
    if let Some(fit) = strong_sections(stream, options)
        .and_then(|sections| fit_by_parts(stream, options, sections))
    {
        return fit;
    }
    let whole = fit_whole(stream, options, None);
    let Some(orders) = told_orders(&whole.record) else {
        return whole;
    };
    fit_by_phase(stream, options, &whole.record, &orders)
        .or_else(|| {
            let sections = faint_sections(stream, options, &whole, &orders)?;
            fit_by_parts(stream, options, sections)
        })
        .unwrap_or(whole)
}

/// Sections that the samples themselves show.
fn strong_sections(stream: &Stream, options: &MeasureOptions) -> Option<Vec<Section>> {
    let (samples, rate_hz) = (stream.samples.as_slice(), stream.rate_hz);
    let nominals_hz = options.mains.nominals_hz();
    match part_with_hum(samples, rate_hz, nominals_hz) {
        Some((span, _)) => Some(span.sections(samples.len())),
        None => sections(samples, rate_hz, nominals_hz),
    }
}

/// Sections of a series that was fitted as if it were one: what its lines and what they leave show together.
fn faint_sections(
    stream: &Stream,
    options: &MeasureOptions,
    fit: &StreamFit,
    orders: &[usize],
) -> Option<Vec<Section>> {
    let cycle = stream.rate_hz / fit.record.combined.frequency_hz;
    let count = stream.samples.len();
    if !is_looked_through(count, cycle) || fit.residual.len() != count {
        return None;
    }
    let mut own = series(stream, options, fit);
    for (x, left) in own.iter_mut().zip(&fit.residual) {
        *x += left;
    }
    sections_of_series(&own, cycle, orders)
}

/// The fit by sections between which the phase or the frequency changes at once, of a record fitted as if it were one. What did
/// not fit then may have been taken for other content: the samples as they are tell.
fn fit_by_phase(
    stream: &Stream,
    options: &MeasureOptions,
    whole: &RecordFit,
    orders: &[usize],
) -> Option<StreamFit> {
    if !moves(whole) {
        return None;
    }
    let cycle = stream.rate_hz / whole.combined.frequency_hz;
    let sections = sections_of_phase(&stream.samples, cycle, orders)?;
    let mut fit = fit_by_parts(stream, options, sections)?;
    if fit.record.residual_rms > NO_BETTER * whole.residual_rms {
        return None;
    }
    if let HumCourse::Stepped(at_s) = std::mem::take(&mut fit.record.course) {
        fit.record.course = HumCourse::Turned(at_s);
    }
    Some(fit)
}

/// Whether a fit shows a series that moves.
fn moves(record: &RecordFit) -> bool {
    let Presence::Present(seen) = &record.presence else {
        return false;
    };
    let combined = &record.combined;
    seen.drifts
        || !seen.foreign.is_empty()
        || combined.tracked
        || combined.walk > 0.0
        || record.other.is_some()
        || record.settings.moved.iter().any(|m| *m > 1.0)
        || combined.harmonics.iter().any(|own| own.unsteady)
}

/// The orders of a series that stand out most; `None` where none is seen.
fn told_orders(record: &RecordFit) -> Option<Vec<usize>> {
    if !matches!(record.presence, Presence::Present(_)) || record.interval.is_some() {
        return None;
    }
    let harmonics = record.combined.harmonics.iter().enumerate();
    let mut told: Vec<(usize, f64)> = harmonics
        .map(|(i, own)| {
            let ratio = own.power.observed_v2 / own.power.noise_v2;
            (i + 1, ratio)
        })
        .filter(|(order, ratio)| *ratio > STANDS && !record.settings.muted.contains(order))
        .collect();
    told.sort_by(|a, b| b.1.total_cmp(&a.1));
    told.truncate(MOST_TOLD);
    let told: Vec<usize> = told.into_iter().map(|(order, _)| order).collect();
    (!told.is_empty()).then_some(told)
}

/// A part of a stream that holds hum, and its fit.
struct Part {
    section: Section,
    stream: Stream,
    fit: StreamFit,
}

/// The fit of a stream by its sections; `None` where they are not told apart.
fn fit_by_parts(
    stream: &Stream,
    options: &MeasureOptions,
    mut sections: Vec<Section>,
) -> Option<StreamFit> {
    let rate_hz = stream.rate_hz;
    let mut parts = Vec::with_capacity(sections.len());
    for section in &mut sections {
        if section.silent && (section.samples.len() as f64) < LEAST_HEARD_S * rate_hz {
            continue;
        }
        let part = cut(stream, section);
        let fit = fit_whole(&part, options, None);
        let heard = matches!(fit.record.presence, Presence::Present(_));
        // What is next to nothing beside the strongest section may be hum all the same.
        if !heard && !section.silent {
            return None;
        }
        if heard {
            section.silent = false;
            parts.push(Part {
                section: section.clone(),
                stream: part,
                fit,
            });
        }
    }
    let course = course(&sections, rate_hz);
    let mut rest = stream.clone();
    for part in &parts {
        let series = series(&part.stream, options, &part.fit);
        let samples = &mut rest.samples[part.section.samples.clone()];
        for (x, s) in samples.iter_mut().zip(series) {
            *x -= s;
        }
    }
    let mut rest = fit_whole(&rest, options, None);
    give_back(&mut rest.record, &parts, stream);
    joined(stream, options, (parts, rest), course)
}

/// When the hum is there, or steps.
fn course(sections: &[Section], rate_hz: f64) -> HumCourse {
    let seconds = |sample: usize| sample as f64 / rate_hz;
    let mut heard = sections.iter().filter(|section| !section.silent);
    match (heard.next(), heard.next()) {
        (Some(Section { samples, .. }), None) => {
            HumCourse::Within(seconds(samples.start), seconds(samples.end))
        }
        _ => HumCourse::Stepped(
            sections[1..]
                .iter()
                .map(|section| seconds(section.samples.start))
                .collect(),
        ),
    }
}

/// The noise that the parts' fits took out with the lines.
fn give_back(rest: &mut RecordFit, parts: &[Part], stream: &Stream) {
    let whole_s = stream.samples.len() as f64 / stream.rate_hz;
    let taken: f64 = parts
        .iter()
        .map(|part| {
            let record = &part.fit.record;
            // A line takes the noise of its cell in each segment, of which the segment is a share of the record.
            let cells = match part.fit.track_series.is_empty() {
                true => record.segments.len(),
                false => 1,
            };
            let places = (1..=record.orders).map(|k| k as f64 * record.combined.frequency_hz);
            let levels = places.map(|hz| rest.floor.level_at(hz, record.combined.frequency_hz).0);
            cells as f64 * levels.sum::<f64>()
        })
        .sum();
    let (power, _) = rest.floor.power_between(0.0, f64::INFINITY);
    if power > 0.0 {
        let floor = rest.floor.clone();
        rest.floor = floor.raised(1.0 + (taken / whole_s / power).min(MOST_TAKEN));
    }
}

fn cut(stream: &Stream, section: &Section) -> Stream {
    let mut samples = stream.samples[section.samples.clone()].to_vec();
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
    Segmented::new(stream, options).series(&fit.record.segments)
}

/// The whole record: mains of the parts that hold it, the rest of what is left without it.
fn joined(
    stream: &Stream,
    options: &MeasureOptions,
    (parts, rest): (Vec<Part>, StreamFit),
    course: HumCourse,
) -> Option<StreamFit> {
    let several = parts.len() > 1;
    let mut segments: Vec<SegmentFit> = Vec::new();
    let mut combined = Vec::with_capacity(parts.len());
    let mut records = Vec::with_capacity(parts.len());
    let mut heard = Vec::with_capacity(parts.len());
    for Part { section, fit, .. } in parts {
        heard.push(section.samples.clone());
        let mut record = fit.record;
        combined.push(over_the_whole(&record.combined, stream, &section));
        for mut segment in std::mem::take(&mut record.segments) {
            segment.centre += section.samples.start as f64;
            segments.push(segment);
        }
        records.push(record);
    }
    let mut records = records.into_iter();
    let first = records.next()?;
    let (frequency_hz, frequency_variance) = frequency_of(&combined, &heard, stream.rate_hz);
    let combined = Combined {
        frequency_hz,
        frequency_variance,
        ..combined.into_iter().reduce(merged)?
    };
    let noise = records.fold(first.noise, with_noise_of);
    let whole = Details::new(stream, options, &segments, combined.frequency_hz);
    let record = RecordFit {
        nominal_hz: first.nominal_hz,
        decided: first.decided,
        orders: noise.len(),
        settings: first.settings,
        segments,
        combined,
        noise,
        details: if several {
            whole
        } else {
            first.details.with_groups_of(whole)
        },
        presence: first.presence,
        course,
        ..rest.record
    };
    Some(StreamFit { record, ..rest })
}

/// The noise beside the orders of a record, with the segments of another part's.
fn with_noise_of(mut noise: Vec<OrderNoise>, other: RecordFit) -> Vec<OrderNoise> {
    noise.truncate(other.noise.len());
    for (own, other) in noise.iter_mut().zip(other.noise) {
        own.variances.extend(other.variances);
        own.dof = own.dof.min(other.dof);
        own.guides &= other.guides;
    }
    noise
}

/// Two parts of a record, each over the whole of it: powers add; phases and frequency are those of the first.
fn merged(mut one: Combined, other: Combined) -> Combined {
    for (own, other) in one.harmonics.iter_mut().zip(&other.harmonics) {
        let power = LinePower::sum([&own.power, &other.power].into_iter());
        own.amplitude =
            Complex64::from_polar((2.0 * power.observed_v2).sqrt(), own.amplitude.arg());
        own.variance += other.variance;
        own.power = power;
        own.unsteady |= other.unsteady;
    }
    one.harmonics.truncate(other.harmonics.len());
    one.segment_frequencies_hz
        .extend(other.segment_frequencies_hz);
    one.followed &= other.followed;
    one.tracked = false;
    one.walk = one.walk.max(other.walk);
    one
}

/// Frequency of parts that are heard from sample to sample, and its variance: weighted as each is known where they agree; else the
/// phase gained over the time.
fn frequency_of(parts: &[Combined], heard: &[Range<usize>], rate_hz: f64) -> (f64, f64) {
    let weighted = |weights: &[f64]| -> (f64, f64) {
        let sum: f64 = weights.iter().sum();
        let own = weights.iter().zip(parts);
        own.map(|(w, part)| (w / sum, part))
            .fold((0.0, 0.0), |(hz, variance), (w, part)| {
                (
                    hz + w * part.frequency_hz,
                    variance + w * w * part.frequency_variance,
                )
            })
    };
    let known: Vec<f64> = parts
        .iter()
        .map(|part| part.frequency_variance.max(f64::MIN_POSITIVE).recip())
        .collect();
    let (hz, variance) = weighted(&known);
    let scatter: f64 = parts
        .iter()
        .zip(&known)
        .map(|(part, known)| known * (part.frequency_hz - hz).powi(2))
        .sum();
    if scatter <= DISAGREE * (parts.len() - 1) as f64 {
        return (hz, variance);
    }
    let shares: Vec<f64> = heard.iter().map(|own| own.len() as f64).collect();
    let (hz, variance) = weighted(&shares);
    let between: f64 = parts
        .windows(2)
        .zip(heard.windows(2))
        .filter(|(_, heard)| heard[0].end == heard[1].start)
        .map(|(pair, heard)| turn_between(&pair[0], &pair[1], heard[0].end as f64 / rate_hz))
        .sum();
    (
        hz + between * rate_hz / shares.iter().sum::<f64>(),
        variance,
    )
}

/// Turns by which the phase of a part lies ahead of the part's before it at their edge, where the frequency changed a little before or
/// behind that; 0 where the phase jumps.
fn turn_between(before: &Combined, after: &Combined, at_s: f64) -> f64 {
    let (mut ahead, mut weights) = (0.0, 0.0);
    let orders = before.harmonics.iter().zip(&after.harmonics).zip(1..);
    for ((one, other), order) in orders {
        // The noise's power over the line's: twice the variance of a phase amid the part.
        let own = |line: &CombinedHarmonic| line.power.noise_v2 / line.power.observed_v2;
        let variance = own(one) + own(other);
        if !(variance > 0.0 && variance < PHASE_KNOWN) {
            continue;
        }
        let k = f64::from(order);
        let turn = k * at_s;
        let (from, to) = (one.amplitude.arg(), other.amplitude.arg());
        let apart = (to - from) / TAU + turn * (after.frequency_hz - before.frequency_hz);
        let weight = k * k / variance;
        ahead += weight * (apart - apart.round()) / k;
        weights += weight;
    }
    if weights == 0.0 {
        return 0.0;
    }
    let ahead = ahead / weights;
    let earlier_s = ahead / (after.frequency_hz - before.frequency_hz);
    if earlier_s.abs() * before.frequency_hz <= EDGE_MISSED_CYCLES {
        ahead
    } else {
        0.0
    }
}

/// Amplitudes over the whole record, phases at its first sample.
fn over_the_whole(on: &Combined, stream: &Stream, section: &Section) -> Combined {
    let whole = stream.samples.len() as f64;
    let length = section.samples.len() as f64;
    let share = length / whole;
    // Share's variance over its square: that of a power.
    let of_share = section.length_variance / (length * length);
    let before_s = section.samples.start as f64 / stream.rate_hz;
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

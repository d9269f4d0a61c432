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
use crate::hum::{Presence, Section, part_with_hum, sections, sections_of_series};
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Shortest section of next to no hum in which it is looked for, s: five cycles of the slower grid.
const LEAST_HEARD_S: f64 = 0.1;
/// Power over its noise from which an order tells whether the series changes, and the most that do.
const STANDS: f64 = 6.0;
const MOST_TOLD: usize = 6;
/// Most noise that fits of parts are taken to have taken, against what is left.
const MOST_TAKEN: f64 = 0.5;

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
    let by_parts = faint_sections(stream, options, &whole)
        .and_then(|sections| fit_by_parts(stream, options, sections));
    by_parts.unwrap_or(whole)
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
) -> Option<Vec<Section>> {
    let record = &fit.record;
    let seen = matches!(record.presence, Presence::Present(_)) && record.interval.is_none();
    let orders: Vec<usize> = told_orders(record);
    if !seen || orders.is_empty() || fit.residual.len() != stream.samples.len() {
        return None;
    }
    let mut own = series(stream, options, fit);
    for (x, left) in own.iter_mut().zip(&fit.residual) {
        *x += left;
    }
    let cycle = stream.rate_hz / record.combined.frequency_hz;
    sections_of_series(&own, cycle, &orders)
}

/// The orders that stand out most.
fn told_orders(record: &RecordFit) -> Vec<usize> {
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
    told.into_iter().map(|(order, _)| order).collect()
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
    let mut series = vec![0.0; stream.samples.len()];
    Segmented::new(stream, options).subtract(&fit.record.segments, &mut series);
    series.iter_mut().for_each(|x| *x = -*x);
    series
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
    for Part { section, fit, .. } in parts {
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
    let combined = combined.into_iter().reduce(merged)?;
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

/// Two parts of a record, each over the whole of it: powers add; phases are those of the first.
fn merged(one: Combined, other: Combined) -> Combined {
    let (a, b) = (one.frequency_variance, other.frequency_variance);
    let weight = if a + b > 0.0 { b / (a + b) } else { 0.5 };
    let harmonics = one
        .harmonics
        .iter()
        .zip(&other.harmonics)
        .map(|(own, other)| {
            let power = LinePower::sum([&own.power, &other.power].into_iter());
            CombinedHarmonic {
                amplitude: Complex64::from_polar(
                    (2.0 * power.observed_v2).sqrt(),
                    own.amplitude.arg(),
                ),
                variance: own.variance + other.variance,
                power,
                phase_variance: own.phase_variance,
                unsteady: own.unsteady || other.unsteady,
            }
        })
        .collect();
    let mut segment_frequencies_hz = one.segment_frequencies_hz;
    segment_frequencies_hz.extend(other.segment_frequencies_hz);
    Combined {
        frequency_hz: weight * one.frequency_hz + (1.0 - weight) * other.frequency_hz,
        frequency_variance: weight * a,
        harmonics,
        followed: one.followed && other.followed,
        tracked: false,
        walk: one.walk.max(other.walk),
        segment_frequencies_hz,
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

//! The analysis of a stream: the interference apart from what else it holds.

use super::bounded::{no_narrower, read_bounded};
use super::doubted::fit;
use super::moving::follow_tracks;
use super::quiet::read_quietly;
use super::segmented::Segmented;
use super::stream_fit::{Known, OtherContent, RecordFit, StreamFit};
use crate::analysis::details::Details;
use crate::analysis::options::{GRID_RANGE, MeasureOptions};
use crate::analysis::record::Stream;
use crate::hum::{self, Foreground, Modulation, Presence, Unseen};
use crate::stats::mean;
use std::borrow::Cow;

/// Share of the noise within the orders' fits from which what was left out did not matter to them.
const SPARED: f64 = 0.5;
/// Fits in which what was left out is filled anew.
const FILL_ROUNDS: usize = 3;
/// Least share of a stream that counts as present, however much is left out.
const LEAST_PRESENT: f64 = 0.1;
/// Orders that hold most of nearly every hum (common practice, no source).
const LIKELY_ORDERS: usize = 3;
/// Most fits in which gaps are filled anew, and the change against the noise at which they end.
const GAP_ROUNDS: usize = 12;
const FILLED: f64 = 1e-2;
/// Power of an order over its noise from which its modulation is looked for, and most orders that are looked at.
const MODULATED: f64 = 20.0;
const MOST_MODULATED: usize = 6;
/// Turns against its order from which a line's phase is any.
const TURNS: f64 = 4.0;

/// Analyses a stream whose hum, if any, is there throughout; with something `known`, from there.
pub(super) fn fit_whole(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
) -> StreamFit {
    let filled = (!stream.gaps.is_empty()).then(|| filled(stream, options, known));
    let stream = filled.as_ref().unwrap_or(stream);
    let nominals = options.mains.nominals_hz();
    let step = stream.step.unwrap_or(0.0);
    let rate_hz = stream.rate_hz;
    let of = |rest: &[f64]| hum::foreground(rest, rate_hz, nominals, step);
    let mut look = FirstLook::new(Cow::Borrowed(stream), options, known);
    let mut found = of(&look.rest);
    if hum::outweighs(&look.fit.residual, &found.left_out) {
        let mut calm = stream.clone();
        hum::bridge(&mut calm.samples, &found.left_out);
        look = FirstLook::new(Cow::Owned(calm), options, known);
        add(&mut look.rest, &stream.samples, 1.0);
        add(&mut look.rest, &look.calm.samples, -1.0);
        found = of(&look.rest);
    }
    let FirstLook {
        calm,
        slow,
        plain,
        fit: mut first,
        rest,
    } = look;
    let like_hum = if found.is_empty() {
        0.0
    } else {
        // Of a series that is not seen, either grid's cycle.
        let cycles_hz = match first.record.presence {
            Presence::Present(_) => std::slice::from_ref(&first.record.combined.frequency_hz),
            _ => nominals,
        };
        let each = cycles_hz.iter();
        each.map(|hz| hum::repeating_power(&rest, rate_hz / hz))
            .fold(0.0, f64::max)
    };
    let mut followed = known.is_some();
    if like_hum > 0.0 && slow.is_empty() && !followed {
        let mut moving = first.clone();
        follow_tracks(&Segmented::new(stream, options), &mut moving, &[]);
        if moving.record.combined.tracked && of(&moving.residual).is_empty() {
            (first, found, followed) = (moving, Foreground::default(), true);
        }
    }
    if found.is_empty() && slow.is_empty() {
        let segmented = Segmented::new(stream, options);
        if !followed {
            follow_tracks(&segmented, &mut first, &[]);
        }
        read_quietly(&segmented, &mut first, &[]);
        first.record.modulation = read_modulation(&segmented, &first);
        first.record.unseen = read_unseen(&segmented, &first.record);
        return first;
    }
    let (mut result, other) = fit_beside(stream, &plain, &found, &first, options, known);
    result.record.other = OtherContent::new(&found, rate_hz);
    result.record.other.like_hum = like_hum;
    // Events that hardly show beside the orders are left out of the noise alone, but a bridge is no hum.
    let bridged = matches!(calm, Cow::Owned(_));
    let spared = !bridged
        && !found.left_out.is_empty()
        && line_noise(&result.record) > SPARED * line_noise(&first.record);
    let (read, left_out) = if spared {
        result.record = RecordFit {
            segments: first.record.segments,
            combined: first.record.combined,
            noise: first.record.noise,
            settings: first.record.settings,
            ..result.record
        };
        (&*plain, Default::default())
    } else {
        (&other, found.left_out.as_slice())
    };
    let segmented = Segmented::new(read, options);
    if known.is_none() {
        follow_tracks(&segmented, &mut result, left_out);
    }
    read_quietly(&segmented, &mut result, &found.left_out);
    result.record.modulation = read_modulation(&segmented, &result);
    result.record.unseen = read_unseen(&segmented, &result.record);
    // Offset of the record as it is, what was taken off or left out included.
    result.record.residual_mean += mean(&stream.samples) - mean(&other.samples);
    result
}

/// A stream with the series in its gaps and a bridge over what is left beside it: a bridge alone looks like steps and events.
fn filled(stream: &Stream, options: &MeasureOptions, known: Option<&Known>) -> Stream {
    let fit = fit_alone(stream, options, known, None);
    let mut filled = stream.clone();
    let lines = Segmented::new(stream, options).series(&fit.record.segments);
    let mut gaps = vec![false; stream.samples.len()];
    for gap in &stream.gaps {
        gaps[gap.at] = true;
    }
    fill_with(&mut filled.samples, &lines, &gaps);
    filled
}

/// A stream fitted before what else it holds is known.
struct FirstLook<'a> {
    /// The stream, or one with a bridge over what outweighs all else, and the same without slow content.
    calm: Cow<'a, Stream>,
    plain: Cow<'a, Stream>,
    slow: Foreground,
    fit: StreamFit,
    /// What is left without the series: tells slow content and events from the series' own movement.
    rest: Vec<f64>,
}

impl<'a> FirstLook<'a> {
    fn new(calm: Cow<'a, Stream>, options: &MeasureOptions, known: Option<&Known>) -> Self {
        let nominals = options.mains.nominals_hz();
        let step = calm.step.unwrap_or(0.0);
        let (samples, rate_hz) = (calm.samples.as_slice(), calm.rate_hz);
        let spectrum = match known {
            Some(_) => None,
            None => hum::spectrum(samples, rate_hz, nominals),
        };
        let slow = hum::slow_content(samples, rate_hz, nominals, step, spectrum.as_ref());
        // Filled gaps are looked at again.
        let seen = spectrum
            .filter(|_| slow.is_empty() && calm.gaps.is_empty())
            .map(|spectrum| hum::look_at(samples, rate_hz, nominals, Some(spectrum)));
        let plain = if slow.is_empty() {
            calm.clone()
        } else {
            Cow::Owned(without(&calm, &slow, options))
        };
        let fit = fit_alone(&plain, options, known, seen.as_ref());
        let mut rest = fit.residual.clone();
        add(&mut rest, &slow.slow, 1.0);
        Self {
            calm,
            plain,
            slow,
            fit,
            rest,
        }
    }
}

/// What comes and goes of the strongest orders, beside lines that may be its sidebands.
fn read_modulation(segmented: &Segmented<'_>, fit: &StreamFit) -> Modulation {
    let record = &fit.record;
    let Presence::Present(seen) = &record.presence else {
        return Modulation::default();
    };
    if record.interval.is_some() {
        return Modulation::default();
    }
    let harmonics = &record.combined.harmonics;
    let power = |order: usize| harmonics[order - 1].power.observed_v2;
    let mut orders: Vec<usize> = (1..=harmonics.len())
        .filter(|&order| {
            power(order) > MODULATED * harmonics[order - 1].power.noise_v2
                && seen.foreign.iter().all(|other| other.order != order)
        })
        .collect();
    orders.sort_by(|a, b| power(*b).total_cmp(&power(*a)));
    orders.truncate(MOST_MODULATED);
    let fundamental_hz = record.combined.frequency_hz;
    let turn_hz = segmented.rate_hz() / segmented.samples().len() as f64;
    // What turns a few times over the record, or is more than its order, lies in phase by chance.
    let tones = record.tones.iter().filter(|tone| {
        let order = (tone.combined.frequency_hz / fundamental_hz).round();
        let apart_hz = (tone.combined.frequency_hz - order * fundamental_hz).abs();
        let own = tone.combined.harmonics.first();
        let own = own.map_or(f64::INFINITY, |line| line.power.observed_v2);
        !(apart_hz > TURNS * turn_hz
            && orders.iter().any(|k| *k as f64 == order && own < power(*k)))
    });
    let tones: Vec<_> = tones.map(|tone| tone.segments.clone()).collect();
    let series = if fit.track_series.is_empty() {
        Cow::Owned(segmented.series(&record.segments))
    } else {
        Cow::Borrowed(&fit.track_series)
    };
    let mut rest = segmented.residual(&[], &tones);
    add(&mut rest, &series, -1.0);
    let cycle = segmented.rate_hz() / fundamental_hz;
    let found = hum::modulation(&series, &rest, cycle, &orders);
    Modulation {
        alone: found.alone && seen.foreign.is_empty() && !record.other.is_some(),
        ..found
    }
}

/// What a series may hold that is not seen in what the tones leave. A tone at the place of a low order may be hum.
fn read_unseen(segmented: &Segmented<'_>, record: &RecordFit) -> Option<Unseen> {
    if matches!(record.presence, Presence::Present(_)) {
        return None;
    }
    let nominals_hz = segmented.options().mains.nominals_hz();
    let resolved_hz = segmented.rate_hz() / segmented.samples().len().max(1) as f64;
    let may_be_hum = |hz: f64| {
        let orders = (1..=LIKELY_ORDERS).map(|order| order as f64);
        orders
            .flat_map(|k| nominals_hz.iter().map(move |nominal| k * nominal))
            .any(|place| (hz - place).abs() <= GRID_RANGE * place + resolved_hz)
    };
    let tones: Vec<_> = record
        .tones
        .iter()
        .filter(|tone| !may_be_hum(tone.combined.frequency_hz))
        .map(|tone| tone.segments.clone())
        .collect();
    Unseen::new(
        &segmented.residual(&[], &tones),
        segmented.rate_hz(),
        nominals_hz,
        GRID_RANGE,
        record.orders,
    )
}

/// Fits the stream without what was found beside interference; that stream as it was fitted. Where something passes, it
/// holds the lines as fitted before and what is left beside them.
fn fit_beside(
    stream: &Stream,
    plain: &Stream,
    found: &Foreground,
    first: &StreamFit,
    options: &MeasureOptions,
    known: Option<&Known>,
) -> (StreamFit, Stream) {
    // What was seen before anything was left out stands.
    let seen =
        matches!(first.record.presence, Presence::Present(_)).then_some(&first.record.presence);
    let mut other = without(stream, found, options);
    let mut lines = vec![0.0; stream.samples.len()];
    // Lines of a series that is not there would be put where something passes, and then be seen.
    if seen.is_some() {
        lines.copy_from_slice(&plain.samples);
        add(&mut lines, &first.residual, -1.0);
    }
    let mut round = 0;
    loop {
        fill_with(&mut other.samples, &lines, &found.left_out);
        let result = fit_alone(&other, options, known, seen);
        round += 1;
        let there = matches!(result.record.presence, Presence::Present(_));
        if found.left_out.is_empty() || round == FILL_ROUNDS || !there {
            return (result, other);
        }
        lines.copy_from_slice(&other.samples);
        add(&mut lines, &result.residual, -1.0);
    }
}

/// Adds `sign` times what is given of other samples.
fn add(samples: &mut [f64], others: &[f64], sign: f64) {
    for (x, other) in samples.iter_mut().zip(others) {
        *x += sign * other;
    }
}

/// Replaces what is left out by the lines and a bridge over what is left beside them.
fn fill_with(samples: &mut [f64], lines: &[f64], left_out: &[bool]) {
    if left_out.is_empty() {
        return;
    }
    let mut rest: Vec<f64> = samples.iter().zip(lines).map(|(x, l)| x - l).collect();
    hum::bridge(&mut rest, left_out);
    for (n, x) in samples.iter_mut().enumerate().filter(|(n, _)| left_out[*n]) {
        *x = lines[n] + rest[n];
    }
}

/// Noise within the orders' fits.
fn line_noise(fit: &RecordFit) -> f64 {
    fit.combined
        .harmonics
        .iter()
        .map(|h| h.power.noise_v2)
        .sum()
}

/// The stream without slow content; what is left out counts as not present.
fn without(stream: &Stream, found: &Foreground, options: &MeasureOptions) -> Stream {
    let mut samples = stream.samples.clone();
    add(&mut samples, &found.slow, -1.0);
    let nominals = options.mains.nominals_hz().iter().copied();
    let out = found.left_out.iter().filter(|out| **out).count();
    Stream {
        present: (stream.present * (1.0 - out as f64 / samples.len().max(1) as f64))
            .max(LEAST_PRESENT),
        samples,
        gaps: stream.gaps.clone(),
        step: stream.step.filter(|_| found.left_out.is_empty()),
        slow_to_hz: if found.slow.is_empty() {
            stream.slow_to_hz
        } else {
            hum::SLOW_TO * nominals.fold(f64::INFINITY, f64::min)
        },
        ..*stream
    }
}

/// Fits a stream as it is; `seen`: what an earlier look at the same record said.
fn fit_alone(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
    seen: Option<&Presence>,
) -> StreamFit {
    let mut segmented = Segmented::new(stream, options);
    let mut result = fit(&segmented, known, seen);
    if let Some(bounded) = read_bounded(stream, &result.record, options.confidence) {
        if !stream.gaps.is_empty() {
            segmented.fill_beyond(&bounded);
            result = fit(&segmented, known, seen);
        }
        let middle = 0.5 * (stream.samples.len() as f64 - 1.0);
        let plain = std::mem::replace(
            &mut result.record.combined,
            bounded.combined(stream.rate_hz, middle),
        );
        if stream.gaps.is_empty() {
            no_narrower(&mut result.record.combined, &plain);
        }
        result.record.interval = Some(bounded);
    } else if !stream.gaps.is_empty() {
        // Gaps: fill with the model and fit again until the filling no longer moves.
        for _ in 0..GAP_ROUNDS {
            if segmented.fill_gaps(&result.record) < FILLED {
                break;
            }
            result = fit(&segmented, known, seen);
        }
        segmented.widen_by_gaps(&mut result.record);
    }
    let record = &mut result.record;
    record.details = Details::new(
        stream,
        options,
        &record.segments,
        record.combined.frequency_hz,
    );
    result
}

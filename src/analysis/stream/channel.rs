//! The analysis of one channel: series, tones and noise of a low-rate stream.

use super::part::fit_by_part;
use super::stream_noise::take_off_line;
use super::tone_fit::KnownTone;
use crate::analysis::combined::{Combined, OrderNoise, combine};
use crate::analysis::figures::Folding;
use crate::analysis::figures::{HarmonicGroups, harmonic_groups};
use crate::analysis::interval::{self, IntervalFit};
use crate::analysis::noise::NoiseFloor;
use crate::analysis::noise::SlowNoise;
use crate::analysis::record::{Gap, fill, fill_beyond};
use crate::analysis::series::{FitSettings, SegmentFit};
use crate::analysis::series::{Lines, Remainder, Transform};
use crate::analysis::{MainsChoice, MeasureOptions};
use crate::hum::{self, Foreground, Presence};
use crate::spectrum::{Density, Multitaper, Nudft, Weighting};
use crate::stats::chi_square_quantile;
use ndarray::ArrayView1;
use rayon::prelude::*;
use std::borrow::Cow;
use std::f64::consts::PI;

/// Share either side of nominal within which a grid's frequency lies.
pub(crate) const GRID_RANGE: f64 = 0.01;
/// Longest record fitted as one segment, and length of the segments of longer ones, s: a grid that
/// wanders by 10 mHz in 10 s turns the 40th harmonic by less than a tenth of a radian within a segment.
pub(crate) const ONE_SEGMENT_S: f64 = 1.05;
const SEGMENT_S: f64 = 1.0;
/// Fewest samples of a segment, and of one where the rate carries no mains: what is left to find are steady tones.
const LEAST_SEGMENT: usize = 64;
const LEAST_WITHOUT_MAINS: usize = 1024;
/// Square of the change, in deviations, below which a fit counts as standing.
const UNMOVED: f64 = 1e-4;
/// Most rounds of search for tones.
const MOST_ROUNDS: usize = 9;
/// Share of a drifting generator's mean frequency within which its segments lie.
const DRIFTING: f64 = 0.1;
/// How far a segment's frequency may stray from the record's, Hz (one deviation): more than grids do within a minute.
const STRAY_HZ: f64 = 0.1;
/// Share of the nominal frequency below which taking slow content off leaves no noise to read.
const SLOW_TO: f64 = 0.4;
/// Probability that noise alone counts as movement of any order.
const MOVED_BY_CHANCE: f64 = 1e-3;
/// Most lines that are taken out before the series is found.
const MOST_FOREIGN: usize = 12;

/// Evenly spaced, finite samples with their mean taken off, and where they were filled.
#[derive(Debug, Clone)]
pub(crate) struct Stream {
    pub(crate) samples: Vec<f64>,
    pub(crate) rate_hz: f64,
    /// Places that were missing or clipped and hold interpolated values.
    pub(crate) gaps: Vec<Gap>,
    /// Highest frequency that the stream carries without aliases, Hz.
    pub(crate) clean_to_hz: f64,
    /// The converter's step, of samples at the record's own rate.
    pub(crate) step: Option<f64>,
    /// Frequency up to which slow content was taken off, Hz; 0 where none was.
    pub(crate) slow_to_hz: f64,
    /// Share of the samples that hold what was measured.
    pub(crate) present: f64,
}

/// A tone: a series of one order.
#[derive(Debug, Clone)]
pub(crate) struct ToneFit {
    pub(crate) combined: Combined,
    pub(crate) segments: Vec<SegmentFit>,
}

/// What the stream holds.
#[derive(Debug, Clone)]
pub(crate) struct StreamFit {
    pub(crate) nominal_hz: f64,
    /// Whether that nominal is stated, or told from the other.
    pub(crate) decided: bool,
    pub(crate) orders: usize,
    pub(crate) settings: FitSettings,
    pub(crate) segments: Vec<SegmentFit>,
    pub(crate) combined: Combined,
    /// Noise beside each order with degrees of freedom (index 0: order 1).
    pub(crate) noise: Vec<OrderNoise>,
    pub(crate) tones: Vec<ToneFit>,
    pub(crate) floor: NoiseFloor,
    /// The noise near 0 Hz.
    pub(crate) slow: SlowNoise,
    /// Share of the noise that filling gaps left in the samples.
    pub(crate) present: f64,
    pub(crate) total: Density,
    /// Samples fitted.
    pub(crate) samples: usize,
    /// What is left of the stream without series and tones: itself, its density and its RMS.
    pub(crate) residual: Vec<f64>,
    pub(crate) density: Density,
    pub(crate) residual_rms: f64,
    pub(crate) estimator: Multitaper,
    /// Tones that show in a long record's density alone, Hz, and the mean of that density.
    pub(crate) faint_hz: Vec<f64>,
    pub(crate) left: Vec<f64>,
    /// Parts computed only where asked for.
    pub(crate) folding: Option<Folding>,
    pub(crate) groups: Option<HarmonicGroups>,
    /// Mean of the stream with its gaps filled.
    pub(crate) mean: f64,
    /// The fit of what the samples only bound, where it was needed.
    pub(crate) interval: Option<IntervalFit>,
    /// What a look at the stream's lines says of the series.
    pub(crate) presence: Presence,
    /// What the stream holds beside interference.
    pub(crate) other: OtherContent,
    /// Mean of the residual.
    pub(crate) residual_mean: f64,
    /// Frequency up to which slow content was taken off, Hz.
    pub(crate) slow_to_hz: f64,
    /// The series where tracks describe it.
    pub(crate) track_series: Vec<f64>,
    /// From when to when the hum is there, s from the stream's start, where that is a part of the record.
    pub(crate) part_s: Option<(f64, f64)>,
}

/// What was taken out of a stream, or left out, for not being interference.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct OtherContent {
    /// Steps, s from the stream's start.
    pub(crate) steps_s: Vec<f64>,
    /// Smallest to largest value of slow content.
    pub(crate) slow_span: f64,
    /// Samples of events and when the first begins, s.
    pub(crate) events: usize,
    pub(crate) first_event_s: Option<f64>,
}

impl OtherContent {
    fn new(found: &Foreground, rate_hz: f64) -> Self {
        Self {
            steps_s: found.steps.iter().map(|n| *n as f64 / rate_hz).collect(),
            slow_span: found.slow_span,
            events: found.events,
            first_event_s: found.first_event.map(|n| n as f64 / rate_hz),
        }
    }

    /// Whether anything was found.
    pub(crate) fn is_some(&self) -> bool {
        *self != Self::default()
    }

    /// Adds what a stretch that begins at `from_s` holds.
    pub(crate) fn add(&mut self, stretch: &Self, from_s: f64) {
        self.steps_s
            .extend(stretch.steps_s.iter().map(|s| s + from_s));
        self.slow_span = self.slow_span.max(stretch.slow_span);
        self.events += stretch.events;
        self.first_event_s = self
            .first_event_s
            .or(stretch.first_event_s.map(|s| s + from_s));
    }
}

/// Cuts `count` samples into equal segments of at least `least`; a short record is one.
fn cut(count: usize, rate_hz: f64, least: usize) -> Vec<(usize, usize)> {
    let duration = count as f64 / rate_hz;
    let pieces = if duration <= ONE_SEGMENT_S {
        1
    } else {
        let most = (count / least).max(1);
        ((duration / SEGMENT_S).round() as usize).min(most)
    };
    let length = count / pieces;
    (0..pieces)
        .map(|i| {
            (
                i * length,
                if i + 1 == pieces {
                    count
                } else {
                    (i + 1) * length
                },
            )
        })
        .collect()
}

/// Highest order that the stream carries and the record determines.
pub(crate) fn highest_order(options: &MeasureOptions, stream: &Stream, nominal_hz: f64) -> usize {
    let top = stream.clean_to_hz - 1.0f64.min(0.02 * stream.clean_to_hz);
    let carried = (top / (nominal_hz * (1.0 + GRID_RANGE))).floor().max(0.0) as usize;
    let determined = stream.samples.len().saturating_sub(8) / 6;
    // Below one cycle only the fundamental can be told from an offset.
    let cycles = stream.samples.len() as f64 / stream.rate_hz * nominal_hz;
    let determined = if cycles < 1.0 {
        determined.min(1)
    } else {
        determined
    };
    options.harmonics.min(carried).min(determined)
}

fn transforms(samples: &[f64], pieces: &[(usize, usize)]) -> Vec<Nudft> {
    if let [(from, to)] = pieces {
        return vec![Nudft::new(&samples[*from..*to])];
    }
    pieces
        .par_iter()
        .map(|&(from, to)| Nudft::new(&samples[from..to]))
        .collect()
}

/// The work on one stream.
pub(crate) struct Work<'a> {
    pub(crate) stream: &'a Stream,
    pub(crate) options: &'a MeasureOptions,
    pub(crate) pieces: Vec<(usize, usize)>,
    /// Samples with the gaps filled by the current model.
    pub(crate) samples: Cow<'a, [f64]>,
    /// Share of the noise that filling left in the samples.
    pub(crate) present: f64,
    /// What an earlier look said.
    seen: Option<Presence>,
}

/// What an earlier stretch of the same record told.
#[derive(Debug, Clone)]
pub(crate) struct Known {
    pub(crate) nominal_hz: f64,
    pub(crate) decided: bool,
    /// Fundamental to start from, cycles per sample.
    pub(crate) fundamental: f64,
    pub(crate) tones: Vec<KnownTone>,
    /// Orders that do not tell the fundamental, and those that are not fitted.
    pub(crate) aside: Vec<usize>,
    pub(crate) muted: Vec<usize>,
}

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

/// Analyses a stream whose hum, if any, is there throughout.
pub(super) fn fit_whole(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
) -> StreamFit {
    let rate_hz = stream.rate_hz;
    let slow = hum::slow_content(&stream.samples, rate_hz, nominals(options));
    let first = if slow.is_empty() {
        fit_alone(stream, options, known, None)
    } else {
        fit_alone(&without(stream, &slow, options), options, known, None)
    };
    // What was seen before anything was left out stands.
    let seen = matches!(first.presence, Presence::Present(_)).then(|| first.presence.clone());
    // What is left without the series tells slow content and events from the series' own movement.
    let mut rest = first.residual.clone();
    for (r, s) in rest.iter_mut().zip(&slow.slow) {
        *r += s;
    }
    let found = hum::foreground(&rest, rate_hz, nominals(options));
    if found.is_empty() && slow.is_empty() {
        let mut first = first;
        if known.is_none() {
            Work::new(stream, options).follow_tracks(&mut first, &[]);
        }
        return first;
    }
    for (r, s) in rest.iter_mut().zip(&found.slow) {
        *r -= s;
    }
    let mut other = without(stream, &found, options);
    let mut lines: Vec<f64> = if slow.is_empty() {
        stream
            .samples
            .iter()
            .zip(&first.residual)
            .map(|(x, r)| x - r)
            .collect()
    } else {
        let taken = stream.samples.iter().zip(&slow.slow).zip(&first.residual);
        taken.map(|((x, s), r)| x - s - r).collect()
    };
    if seen.is_none() {
        // Lines of a series that is not there would be put where something passes, and then be seen.
        lines.fill(0.0);
    }
    let mut result;
    let mut round = 0;
    loop {
        // Where something passes, the lines as fitted before and what is left beside it.
        fill_with(&mut other.samples, &lines, &found.left_out);
        result = fit_alone(&other, options, known, seen.as_ref());
        round += 1;
        let there = matches!(result.presence, Presence::Present(_));
        if found.left_out.is_empty() || round == FILL_ROUNDS || !there {
            break;
        }
        for ((line, x), r) in lines.iter_mut().zip(&other.samples).zip(&result.residual) {
            *line = x - r;
        }
    }
    result.other = OtherContent::new(&found, stream.rate_hz);
    // Events that hardly show beside the orders are left out of the noise alone.
    let spared = line_noise(&result) > SPARED * line_noise(&first);
    let mut left_out = found.left_out.as_slice();
    if spared && !found.left_out.is_empty() {
        left_out = &[];
        result = StreamFit {
            segments: first.segments,
            combined: first.combined,
            noise: first.noise,
            settings: first.settings,
            ..result
        };
        other = if slow.is_empty() {
            stream.clone()
        } else {
            without(stream, &slow, options)
        };
    }
    if known.is_none() {
        Work::new(&other, options).follow_tracks(&mut result, left_out);
    }
    // Offset of the record as it is: its mean less that of the lines.
    let of_lines = result.mean - result.residual_mean;
    result.mean = stream.samples.iter().sum::<f64>() / stream.samples.len().max(1) as f64;
    result.residual_mean = result.mean - of_lines;
    result
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
fn line_noise(fit: &StreamFit) -> f64 {
    fit.combined
        .harmonics
        .iter()
        .map(|h| h.power.noise_v2)
        .sum()
}

/// Share of that noise from which what was left out did not matter to them.
const SPARED: f64 = 0.5;

/// Fits in which what was left out is filled anew.
const FILL_ROUNDS: usize = 3;

/// Nominal frequencies that come into question.
pub(super) fn nominals(options: &MeasureOptions) -> &[f64] {
    match &options.mains {
        MainsChoice::Auto => &[50.0, 60.0],
        MainsChoice::Nominal(hz) => std::slice::from_ref(hz),
    }
}

/// The stream without slow content; what is left out counts as not present.
fn without(stream: &Stream, found: &Foreground, options: &MeasureOptions) -> Stream {
    let mut samples = stream.samples.clone();
    for (x, s) in samples.iter_mut().zip(&found.slow) {
        *x -= s;
    }
    let lowest = nominals(options)
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let out = found.left_out.iter().filter(|out| **out).count();
    Stream {
        present: (stream.present * (1.0 - out as f64 / samples.len().max(1) as f64)).max(0.1),
        samples,
        gaps: stream.gaps.clone(),
        step: stream.step.filter(|_| found.left_out.is_empty()),
        slow_to_hz: if found.slow.is_empty() {
            stream.slow_to_hz
        } else {
            SLOW_TO * lowest
        },
        ..*stream
    }
}

/// What the variances of frequency and phases are raised by where samples are only bounded: hum of three steps in noise of
/// 0.13 steps was held 0.77 of the time without (60 records).
const STEPPED: f64 = 4.0;

/// Frequency and phases are claimed no more exactly than a fit that takes rounding for noise claims them: the curvature of the
/// steps' likelihood at its top is not its width where few steps are crossed.
fn no_narrower(combined: &mut Combined, plain: &Combined) {
    combined.frequency_variance =
        STEPPED * combined.frequency_variance.max(plain.frequency_variance);
    for (own, other) in combined.harmonics.iter_mut().zip(&plain.harmonics) {
        own.phase_variance = STEPPED * own.phase_variance.max(other.phase_variance);
    }
}

/// Fits a stream as it is; `seen`: what an earlier look at the same record said.
fn fit_alone(
    stream: &Stream,
    options: &MeasureOptions,
    known: Option<&Known>,
    seen: Option<&Presence>,
) -> StreamFit {
    let mut work = Work::new(stream, options);
    work.seen = seen.cloned();
    let mut result = work.fit(known);
    let bounded = interval::read(stream, &result, options);
    if let Some(bounded) = bounded {
        if !stream.gaps.is_empty() {
            work.fill_beyond(&bounded);
            result = work.fit(known);
        }
        let middle = 0.5 * (stream.samples.len() as f64 - 1.0);
        let plain = std::mem::replace(
            &mut result.combined,
            bounded.combined(stream.rate_hz, middle),
        );
        if stream.gaps.is_empty() {
            no_narrower(&mut result.combined, &plain);
        }
        result.interval = Some(bounded);
    } else if !stream.gaps.is_empty() {
        // Gaps: fill with the model and fit again until the filling no longer moves.
        for _ in 0..12 {
            if work.fill_gaps(&result) < 1e-2 {
                break;
            }
            result = work.fit(known);
        }
    }
    let fundamental_hz = result.combined.frequency_hz;
    (result.folding, result.groups) = details(stream, options, &result.segments, fundamental_hz);
    result
}

/// What is computed of a stream only where asked for.
pub(crate) fn details(
    stream: &Stream,
    options: &MeasureOptions,
    segments: &[SegmentFit],
    fundamental_hz: f64,
) -> (Option<Folding>, Option<HarmonicGroups>) {
    let folding = options.detail.folded.then(|| {
        let mut folding = Folding::new();
        folding.add(&stream.samples, segments);
        folding
    });
    let groups = options.detail.harmonic_groups.then(|| {
        let carried = (stream.clean_to_hz / fundamental_hz).floor() as usize;
        let orders = options.harmonics.min(carried.saturating_sub(1));
        let samples = ArrayView1::from(&stream.samples);
        harmonic_groups(&samples, stream.rate_hz, fundamental_hz, orders).ok()
    });
    (folding, groups.flatten())
}

impl<'a> Work<'a> {
    pub(crate) fn new(stream: &'a Stream, options: &'a MeasureOptions) -> Self {
        let nominals = options.mains.nominals_hz();
        let carried = nominals
            .iter()
            .any(|&hz| highest_order(options, stream, hz) > 0);
        let least = if carried {
            LEAST_SEGMENT
        } else {
            LEAST_WITHOUT_MAINS
        };
        Self {
            stream,
            options,
            pieces: cut(stream.samples.len(), stream.rate_hz, least),
            samples: Cow::Borrowed(&stream.samples),
            present: stream.present,
            seen: None,
        }
    }

    /// The frame of a record that was fitted stretch by stretch and whose samples are gone.
    pub(crate) fn of_pieces(
        stream: &'a Stream,
        options: &'a MeasureOptions,
        pieces: Vec<(usize, usize)>,
        present: f64,
    ) -> Self {
        Self {
            stream,
            options,
            pieces,
            samples: Cow::Borrowed(&[]),
            present,
            seen: None,
        }
    }

    /// The transform of every segment.
    pub(crate) fn transforms(&self) -> Vec<Nudft> {
        transforms(&self.samples, &self.pieces)
    }

    pub(crate) fn centre(&self, piece: usize) -> f64 {
        let (from, to) = self.pieces[piece];
        0.5 * ((from + to) as f64 - 1.0)
    }

    /// Settings of the series before anything was fitted.
    fn settings(&self, total: &Density, nominal_hz: f64) -> FitSettings {
        let rate = self.stream.rate_hz;
        let orders = highest_order(self.options, self.stream, nominal_hz);
        let range = (
            (1.0 - GRID_RANGE) * nominal_hz / rate,
            (1.0 + GRID_RANGE) * nominal_hz / rate,
        );
        let cycles = self.stream.samples.len() as f64 / rate * nominal_hz;
        FitSettings {
            weighting: Weighting::Rectangular,
            orders,
            noise: self.rough_noise(total, nominal_hz, orders),
            range: (range.0 * 0.998, range.1 * 1.002),
            aside: Vec::new(),
            muted: Vec::new(),
            moved: Vec::new(),
            prior: (cycles < 2.0).then(|| {
                let deviation = GRID_RANGE / 3f64.sqrt() * nominal_hz / rate;
                (nominal_hz / rate, deviation * deviation)
            }),
        }
    }

    fn fit(&self, known: Option<&Known>) -> StreamFit {
        let rate = self.stream.rate_hz;
        let rough = self.estimator(55.0);
        let total = self.density(&rough, &self.samples);
        let mut tones: Vec<Vec<SegmentFit>> = Vec::new();
        let whole = transforms(&self.samples, &self.pieces);
        let presence = match (known, &self.seen) {
            (Some(_), _) => Presence::Unseen,
            (None, Some(seen)) => seen.clone(),
            (None, None) => self.look(),
        };
        let mut foreign: Vec<(usize, bool)> = Vec::new();
        let (nominal_hz, start, decided) = if let Some(known) = known {
            (known.nominal_hz, known.fundamental, known.decided)
        } else if let Presence::Present(seen) = &presence {
            for other in &seen.foreign {
                foreign.push((other.order, other.proved));
                if other.proved {
                    let own = self.remainders(&whole, &[], &tones);
                    tones.push(self.fit_tone(&own, &total, other.line.hz));
                }
            }
            (seen.nominal_hz, seen.fundamental_hz / rate, true)
        } else {
            // What is searched once lines were taken out.
            let mut left: Option<(Vec<f64>, Vec<Nudft>)> = None;
            loop {
                let found = match &left {
                    None => self.acquire(&self.samples, &whole, &total),
                    Some((samples, transforms)) => self.acquire(samples, transforms, &total),
                };
                match found.outside {
                    Some(tone) if tones.len() < MOST_FOREIGN => {
                        let own = self.remainders(&whole, &[], &tones);
                        tones.push(self.fit_tone(&own, &total, tone));
                        let samples = self.residual(&[], &tones);
                        let transforms = transforms(&samples, &self.pieces);
                        left = Some((samples, transforms));
                    }
                    _ => break (found.nominal_hz, found.fundamental, found.decided),
                }
            }
        };
        let mut settings = self.settings(&total, nominal_hz);
        if let Presence::Present(seen) = &presence
            && settings.prior.is_none()
        {
            let (place, wide) = (seen.fundamental_hz / rate, STRAY_HZ / rate);
            let u = seen.uncertainty_hz / rate;
            let reach = if seen.drifts {
                DRIFTING * place
            } else {
                5.0 * (wide + u)
            };
            settings.range = (place - reach, place + reach);
            settings.prior = Some((place, wide * wide + u * u));
        }
        if let Some(known) = known {
            settings.aside.clone_from(&known.aside);
            settings.muted.clone_from(&known.muted);
        } else {
            settings.aside = foreign.iter().map(|f| f.0).collect();
            settings.muted = foreign.iter().filter(|f| f.1).map(|f| f.0).collect();
        }
        let orders = settings.orders;
        if let Some(known) = known {
            let steady = self.fit_once(&settings, &whole, start);
            for tone in &known.tones {
                let own = self.remainders(&whole, &steady, &tones);
                tones.push(self.fit_tone(&own, &total, tone.place * rate));
            }
        }
        let estimator = self.estimator(nominal_hz);
        let mut left = self.remainders(&whole, &[], &tones);
        let mut segments = self.fit_series(&settings, &left, start);
        let near = if let Some(known) = known {
            let beside = |t: &KnownTone| self.stands_beside(t.place, known.fundamental, orders);
            known.tones.iter().any(beside)
        } else {
            let beside = self.lines_beside(&segments, &settings);
            let added = self.add_near_lines(&whole, &total, &settings, &beside, &mut tones);
            if added {
                left = self.remainders(&whole, &[], &tones);
                let start = beside.fundamental_hz.map_or(start, |f| f / rate);
                segments = self.fit_series(&settings, &left, start);
            }
            added
        };
        let mut residual = self.residual(&segments, &tones);
        let mut density = self.density(&estimator, &residual);
        let mut floor = self.floor(&estimator, &density, &settings, &segments, &tones);
        settings.weighting = self.choose_weighting(&settings, &segments, &floor);
        if settings.weighting == Weighting::Hann {
            // What leaked into the unweighted fit would stand in its residual as tones.
            let start = mean_fundamental(&segments).unwrap_or(start);
            segments = self.fit_series(&settings, &left, start);
            residual = self.residual(&segments, &tones);
            density = self.density(&estimator, &residual);
            floor = self.floor(&estimator, &density, &settings, &segments, &tones);
        }
        drop(left);
        // Tones in what is left, each fitted and taken out, then the series once more without them.
        let mut dofs;
        (settings.noise, dofs) = self.noise_variances(&settings, &floor, &segments);
        let mut searched = false;
        for _ in 0..MOST_ROUNDS {
            let before = tones.len();
            if !searched {
                self.add_tones(&whole, &mut tones, &density, &floor, &segments);
            }
            searched = tones.len() == before;
            let start = mean_fundamental(&segments).unwrap_or(start);
            let earlier = (segments, tones.clone());
            segments = self.fit_series(&settings, &self.remainders(&whole, &[], &tones), start);
            self.refit_tones(&whole, &segments, &mut tones, &floor);
            if searched && self.stands(&earlier, &segments, &tones, &settings, &floor) {
                break;
            }
            residual = self.residual(&segments, &tones);
            density = self.density(&estimator, &residual);
            floor = self.floor(&estimator, &density, &settings, &segments, &tones);
            (settings.noise, dofs) = self.noise_variances(&settings, &floor, &segments);
            // Lines that stand close together settle slowly.
            if searched && !near {
                break;
            }
        }
        let moved = self.moved(&settings, &segments, &residual, &mut dofs);
        if moved.iter().any(|m| *m > 1.0) {
            for (own, m) in settings.noise.iter_mut().skip(1).zip(&moved) {
                *own *= m;
            }
            let start = mean_fundamental(&segments).unwrap_or(start);
            segments = self.fit_series(&settings, &self.remainders(&whole, &[], &tones), start);
            settings.moved = moved;
            floor = self.floor(&estimator, &density, &settings, &segments, &tones);
        }
        let noise = order_noise(&settings, &dofs, &segments);
        let combined = combine(
            &segments,
            &noise,
            settings.highest_guide(),
            rate,
            self.samples.len(),
        );
        let residual_mean = residual.iter().sum::<f64>() / residual.len().max(1) as f64;
        let lines_hz = lines_hz(&segments, &tones, rate);
        let slow = SlowNoise::new(&residual, rate, &lines_hz, self.present, &floor);
        let tones = tones
            .into_iter()
            .map(|segments| {
                let noise = self.tone_noise(&floor, &segments);
                let combined = combine(&segments, &[noise], 1, rate, self.samples.len());
                ToneFit { combined, segments }
            })
            .collect();
        let total = if estimator.tapers() == rough.tapers() {
            total
        } else {
            self.density(&estimator, &self.samples)
        };
        StreamFit {
            nominal_hz,
            decided,
            orders,
            settings,
            segments,
            combined,
            noise,
            tones,
            floor,
            slow,
            present: self.present,
            total,
            samples: self.samples.len(),
            residual_rms: (residual.iter().map(|r| r * r).sum::<f64>()
                / residual.len().max(1) as f64)
                .sqrt(),
            residual,
            density,
            estimator,
            faint_hz: Vec::new(),
            left: Vec::new(),
            folding: None,
            groups: None,
            mean: self.samples.iter().sum::<f64>() / self.samples.len().max(1) as f64,
            interval: None,
            presence,
            other: OtherContent::default(),
            residual_mean,
            slow_to_hz: self.stream.slow_to_hz,
            track_series: Vec::new(),
            part_s: None,
        }
    }

    /// What the stream's lines say of the series.
    fn look(&self) -> Presence {
        hum::look(&self.samples, self.stream.rate_hz, nominals(self.options))
    }

    /// Power left beside each order over the noise's, where that is more than noise gives in one of a thousand records;
    /// its degrees of freedom then are those of what is left.
    fn moved(
        &self,
        settings: &FitSettings,
        segments: &[SegmentFit],
        residual: &[f64],
        dofs: &mut [f64],
    ) -> Vec<f64> {
        let mut left = residual.to_vec();
        for &(from, to) in &self.pieces {
            take_off_line(&mut left[from..to]);
        }
        let pieces: Vec<(&[f64], f64)> = self
            .pieces
            .iter()
            .zip(segments)
            .map(|(&(from, to), s)| (&left[from..to], s.fit.fundamental))
            .collect();
        hum::excess(&pieces, settings.weighting, &settings.noise)
            .into_iter()
            .zip(dofs.iter_mut().skip(1))
            .map(|((ratio, dof), own)| {
                let level =
                    chi_square_quantile(1.0 - MOVED_BY_CHANCE / settings.orders.max(1) as f64, dof)
                        / dof;
                if ratio > level {
                    *own = own.min(dof);
                    ratio
                } else {
                    1.0
                }
            })
            .collect()
    }

    /// Fits the series in every segment: frequencies first, smoothed over the record, then amplitudes.
    pub(crate) fn fit_series(
        &self,
        settings: &FitSettings,
        transforms: &[impl Transform],
        start: f64,
    ) -> Vec<SegmentFit> {
        if settings.orders == 0 {
            return self.fit_once(settings, transforms, start);
        }
        if let [transform] = transforms {
            let rounds = if settings.prior.is_some() { 8 } else { 6 };
            return settings
                .refine(transform, self.centre(0), start, rounds)
                .into_iter()
                .collect();
        }
        crate::analysis::series::fit_smoothed(
            settings,
            transforms,
            &|i| self.centre(i),
            start,
            self.stream.rate_hz,
        )
    }

    /// Fits the series in every segment at one fundamental.
    pub(crate) fn fit_once(
        &self,
        settings: &FitSettings,
        transforms: &[impl Transform],
        fundamental: f64,
    ) -> Vec<SegmentFit> {
        transforms
            .par_iter()
            .enumerate()
            .filter_map(|(i, t)| settings.fit_at(t, self.centre(i), fundamental))
            .collect()
    }

    pub(super) fn subtract(&self, segments: &[SegmentFit], samples: &mut [f64]) {
        if let ([segment], [_]) = (segments, self.pieces.as_slice()) {
            segment.fit.subtract_harmonics(samples);
            return;
        }
        let mut parts: Vec<(&SegmentFit, &mut [f64])> = Vec::new();
        let mut rest = samples;
        for (segment, &(from, to)) in segments.iter().zip(&self.pieces) {
            let (part, after) = rest.split_at_mut(to - from);
            parts.push((segment, part));
            rest = after;
        }
        parts
            .par_iter_mut()
            .for_each(|(segment, part)| segment.fit.subtract_harmonics(part));
    }

    /// The samples less a series and tones.
    pub(crate) fn residual(&self, segments: &[SegmentFit], tones: &[Vec<SegmentFit>]) -> Vec<f64> {
        let mut samples = self.samples.to_vec();
        self.subtract(segments, &mut samples);
        for tone in tones {
            self.subtract(tone, &mut samples);
        }
        samples
    }

    /// The segments' transforms less a series and tones.
    pub(crate) fn remainders<'t>(
        &self,
        whole: &'t [Nudft],
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> Vec<Remainder<'t>> {
        whole
            .iter()
            .enumerate()
            .map(|(i, transform)| {
                let mut lines = Lines::new(transform.len());
                for segment in std::iter::once(segments)
                    .chain(tones.iter().map(Vec::as_slice))
                    .filter_map(|fits| fits.get(i))
                {
                    add_lines(&mut lines, segment);
                }
                Remainder { transform, lines }
            })
            .collect()
    }

    /// Whether a fit of everything moved no coefficient by a hundredth of its deviation: what is left then stays.
    fn stands(
        &self,
        (segments, tones): &(Vec<SegmentFit>, Vec<Vec<SegmentFit>>),
        new_segments: &[SegmentFit],
        new_tones: &[Vec<SegmentFit>],
        settings: &FitSettings,
        floor: &NoiseFloor,
    ) -> bool {
        let series = |k: usize, length: usize| settings.coefficient_variance(k, length);
        let own = segments.len() == new_segments.len()
            && segments
                .iter()
                .zip(new_segments)
                .all(|(a, b)| moved_by(a, b, &series) < UNMOVED);
        own && tones.iter().zip(new_tones).all(|(before, after)| {
            let noise = self.tone_noise(floor, after);
            before.len() == after.len()
                && before
                    .iter()
                    .zip(after)
                    .zip(&noise.variances)
                    .all(|((a, b), v)| moved_by(a, b, &|_, _| *v) < UNMOVED)
        })
    }

    /// Fills the gaps from an interval fit.
    fn fill_beyond(&mut self, bounded: &IntervalFit) {
        let samples = self.samples.to_mut();
        let filled = fill_beyond(
            samples,
            &self.stream.gaps,
            &bounded.means,
            bounded.deviation,
        );
        // The fit took its parameters out of the samples that are there.
        let parameters = 2.0 + 2.0 * bounded.harmonics.len() as f64;
        let all = (samples.len() as f64 - parameters).max(1.0);
        self.present = (1.0 - filled.lost / all).clamp(0.1, 1.0);
    }

    /// Fills the gaps from a fit of the resolved orders to the samples that are there; the largest change
    /// against the noise.
    fn fill_gaps(&mut self, result: &StreamFit) -> f64 {
        let resolved: Vec<usize> = (1..=result.orders)
            .filter(|&k| {
                let h = &result.combined.harmonics[k - 1];
                h.amplitude.norm_sqr() > 25.0 * h.variance
            })
            .collect();
        let samples = self.samples.to_mut();
        let mut gaps = self.stream.gaps.as_slice();
        let (mut largest, mut lost): (f64, f64) = (0.0, 0.0);
        for (&(from, to), segment) in self.pieces.iter().zip(&result.segments) {
            let (own, later) = gaps.split_at(gaps.partition_point(|g| g.at < to));
            gaps = later;
            if own.is_empty() {
                continue;
            }
            let filled = fill(&mut samples[from..to], from, own, segment, &resolved);
            largest = largest.max(filled.largest / filled.deviation.max(f64::MIN_POSITIVE));
            lost += filled.lost;
        }
        self.present = self.stream.present * (1.0 - (lost / samples.len() as f64).min(0.5));
        largest
    }
}

pub(crate) fn mean_fundamental(segments: &[SegmentFit]) -> Option<f64> {
    (!segments.is_empty())
        .then(|| segments.iter().map(|s| s.fit.fundamental).sum::<f64>() / segments.len() as f64)
}

/// Frequencies, Hz, of a series' fundamental, where it has orders, and of tones.
pub(crate) fn lines_hz(
    segments: &[SegmentFit],
    tones: &[Vec<SegmentFit>],
    rate_hz: f64,
) -> Vec<f64> {
    let has_orders = segments
        .first()
        .is_some_and(|s| !s.fit.harmonics.is_empty());
    mean_fundamental(segments)
        .filter(|_| has_orders)
        .into_iter()
        .chain(tones.iter().filter_map(|t| mean_fundamental(t)))
        .map(|f| f * rate_hz)
        .collect()
}

/// Noise beside each order from the settings' variances a sample and their degrees of freedom.
fn order_noise(settings: &FitSettings, dofs: &[f64], segments: &[SegmentFit]) -> Vec<OrderNoise> {
    let exact = match segments {
        [segment] => segment.design.as_ref().map(|design| {
            let mut own = design.variances(&settings.noise).harmonics;
            for (variance, slope) in own.iter_mut().zip(&segment.step.harmonic_slopes) {
                *variance += 0.5 * slope.norm_sqr() * segment.step.variance;
            }
            own
        }),
        _ => None,
    };
    (1..=settings.orders)
        .map(|k| OrderNoise {
            variances: match &exact {
                Some(own) => vec![own[k - 1]],
                None => segments
                    .iter()
                    .map(|s| settings.coefficient_variance(k, s.fit.length))
                    .collect(),
            },
            dof: dofs[k],
            guides: !settings.aside.contains(&k),
        })
        .collect()
}

/// A segment's harmonics as lines.
pub(crate) fn add_lines(lines: &mut Lines, segment: &SegmentFit) {
    for (i, c) in segment.fit.harmonics.iter().enumerate() {
        lines.push((i + 1) as f64 * segment.fit.fundamental, *c);
    }
}

/// Largest change from one fit to another: of a harmonic's amplitude over the segment, by its noise (a function of
/// order and length), squared. The frequency counts by what its change does at a segment's ends.
fn moved_by(a: &SegmentFit, b: &SegmentFit, variance: &dyn Fn(usize, usize) -> f64) -> f64 {
    let turn = PI * (b.fit.fundamental - a.fit.fundamental) * a.fit.length as f64;
    a.fit
        .harmonics
        .iter()
        .zip(&b.fit.harmonics)
        .enumerate()
        .map(|(i, (x, y))| {
            let turned = ((i + 1) as f64 * turn).powi(2) * y.norm_sqr();
            ((x - y).norm_sqr() + turned) / variance(i + 1, a.fit.length).max(f64::MIN_POSITIVE)
        })
        .fold(0.0, f64::max)
}

//! A stream cut to segments, fitted segment by segment.

use super::stream_fit::RecordFit;
use crate::analysis::interval::IntervalFit;
use crate::analysis::options::{GRID_RANGE, MeasureOptions};
use crate::analysis::record::{Stream, fill, fill_beyond};
use crate::analysis::series::{FitSettings, Lines, Remainder, SegmentFit, Transform, fit_smoothed};
use crate::parallel::*;
use crate::spectrum::Nudft;
use std::borrow::Cow;

/// Longest record fitted as one segment, and length of the segments of longer ones, s: a grid that
/// wanders by 10 mHz in 10 s turns the 40th harmonic by less than a tenth of a radian within a segment.
pub(crate) const ONE_SEGMENT_S: f64 = 1.05;
const SEGMENT_S: f64 = 1.0;
/// Fewest samples of a segment, and of one where the rate carries no mains: what is left to find are steady tones.
const LEAST_SEGMENT: usize = 64;
const LEAST_WITHOUT_MAINS: usize = 1024;
/// Samples for each order of the series that a fit takes, and samples beside these.
const SAMPLES_AN_ORDER: usize = 6;
const SAMPLES_BESIDE: usize = 8;
/// Power of an order over its variance from which gaps are filled with it.
const FILLS: f64 = 25.0;
/// Least share of the noise that filling leaves, however much was filled.
const LEAST_PRESENT: f64 = 0.1;
const MOST_LOST: f64 = 0.5;

/// What the noise beside fitted lines depends on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    pub(crate) rate_hz: f64,
    /// Samples of a segment.
    pub(crate) length: usize,
    /// Share of the noise that filling left in the samples.
    pub(crate) present: f64,
    /// Frequency up to which slow content was taken off, Hz; 0 where none was.
    pub(crate) slow_to_hz: f64,
}

impl Frame {
    pub(crate) fn fitted_over_s(&self) -> f64 {
        self.length as f64 / self.rate_hz
    }
}

/// A stream with its gaps filled as well as is known so far.
pub(crate) struct Segmented<'a> {
    stream: &'a Stream,
    options: &'a MeasureOptions,
    pieces: Vec<(usize, usize)>,
    samples: Cow<'a, [f64]>,
    present: f64,
    /// By how much the gaps raise the variance of the offset, of the frequency and of each order; none where nothing was filled.
    dearer: Vec<f64>,
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
    let from = |piece: usize| piece * length;
    let mut pieces: Vec<_> = (0..pieces).map(|i| (from(i), from(i + 1))).collect();
    if let Some(last) = pieces.last_mut() {
        last.1 = count;
    }
    pieces
}

/// Highest order that the stream carries and the record determines.
fn highest_order(options: &MeasureOptions, stream: &Stream, nominal_hz: f64) -> usize {
    let top = stream.clean_to_hz - 1.0f64.min(0.02 * stream.clean_to_hz);
    let carried = (top / (nominal_hz * (1.0 + GRID_RANGE))).floor().max(0.0) as usize;
    let determined = stream.samples.len().saturating_sub(SAMPLES_BESIDE) / SAMPLES_AN_ORDER;
    // Below one cycle only the fundamental can be told from an offset.
    let cycles = stream.samples.len() as f64 / stream.rate_hz * nominal_hz;
    let determined = if cycles < 1.0 {
        determined.min(1)
    } else {
        determined
    };
    options.harmonics.min(carried).min(determined)
}

impl<'a> Segmented<'a> {
    pub(crate) fn new(stream: &'a Stream, options: &'a MeasureOptions) -> Self {
        let mut nominals = options.mains.nominals_hz().iter();
        let carried = nominals.any(|&hz| highest_order(options, stream, hz) > 0);
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
            dearer: Vec::new(),
        }
    }

    pub(crate) fn stream(&self) -> &Stream {
        self.stream
    }

    pub(super) fn options(&self) -> &MeasureOptions {
        self.options
    }

    /// Highest order of a series that the stream carries and the record determines.
    pub(super) fn highest_order(&self, nominal_hz: f64) -> usize {
        highest_order(self.options, self.stream, nominal_hz)
    }

    /// The samples with their gaps filled.
    pub(crate) fn samples(&self) -> &[f64] {
        &self.samples
    }

    pub(crate) fn rate_hz(&self) -> f64 {
        self.stream.rate_hz
    }

    /// First and one behind the last sample of every segment.
    pub(crate) fn pieces(&self) -> &[(usize, usize)] {
        &self.pieces
    }

    /// Samples of the first segment: of all but the last, which may hold a few more.
    pub(crate) fn length(&self) -> usize {
        self.pieces[0].1 - self.pieces[0].0
    }

    pub(crate) fn frame(&self) -> Frame {
        Frame {
            rate_hz: self.rate_hz(),
            length: self.length(),
            present: self.present,
            slow_to_hz: self.stream.slow_to_hz,
        }
    }

    /// The transform of every segment.
    pub(crate) fn transforms(&self) -> Vec<Nudft> {
        self.transforms_of(&self.samples)
    }

    /// The same of other samples in the place of the stream's.
    pub(crate) fn transforms_of(&self, samples: &[f64]) -> Vec<Nudft> {
        if let [(from, to)] = self.pieces.as_slice() {
            return vec![Nudft::new(&samples[*from..*to])];
        }
        self.pieces
            .par_iter()
            .map(|&(from, to)| Nudft::new(&samples[from..to]))
            .collect()
    }

    pub(crate) fn centre(&self, piece: usize) -> f64 {
        let (from, to) = self.pieces[piece];
        0.5 * ((from + to) as f64 - 1.0)
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
        fit_smoothed(
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

    /// Takes a series out of samples.
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

    /// A series over the stream's samples.
    pub(super) fn series(&self, segments: &[SegmentFit]) -> Vec<f64> {
        let mut series = vec![0.0; self.samples.len()];
        self.subtract(segments, &mut series);
        series.iter_mut().for_each(|x| *x = -*x);
        series
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

    /// Fills the gaps from an interval fit.
    pub(super) fn fill_beyond(&mut self, bounded: &IntervalFit) {
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
        self.present = (1.0 - filled.lost / all).clamp(LEAST_PRESENT, 1.0);
    }

    /// Fills the gaps from a fit of the resolved orders to the samples that are there; the largest change
    /// against the noise.
    pub(super) fn fill_gaps(&mut self, result: &RecordFit) -> f64 {
        let resolved: Vec<usize> = (1..=result.orders)
            .filter(|&k| {
                let h = &result.combined.harmonics[k - 1];
                h.amplitude.norm_sqr() > FILLS * h.variance
            })
            .collect();
        let samples = self.samples.to_mut();
        let mut gaps = self.stream.gaps.as_slice();
        let (mut largest, mut lost): (f64, f64) = (0.0, 0.0);
        let count = samples.len() as f64;
        self.dearer = vec![1.0; result.orders + 2];
        for (&(from, to), segment) in self.pieces.iter().zip(&result.segments) {
            let (own, later) = gaps.split_at(gaps.partition_point(|g| g.at < to));
            gaps = later;
            if own.is_empty() {
                continue;
            }
            let filled = fill(
                &mut samples[from..to],
                (from, &self.stream.samples[from..to]),
                own,
                segment.fit.fundamental,
                &resolved,
            );
            largest = largest.max(filled.largest / filled.deviation.max(f64::MIN_POSITIVE));
            lost += filled.lost;
            let columns = [0, 1].into_iter().chain(resolved.iter().map(|k| k + 1));
            for (column, own) in columns.zip(&filled.dearer) {
                self.dearer[column] += (own - 1.0).max(0.0) * (to - from) as f64 / count;
            }
        }
        self.present = self.stream.present * (1.0 - (lost / count).min(MOST_LOST));
        largest
    }

    /// Makes figures as uncertain as the gaps leave them.
    pub(super) fn widen_by_gaps(&self, record: &mut RecordFit) {
        let [offset, frequency, orders @ ..] = self.dearer.as_slice() else {
            return;
        };
        record.offset_dearer = *offset;
        record.combined.frequency_variance *= frequency;
        for (own, factor) in record.combined.harmonics.iter_mut().zip(orders) {
            own.variance *= factor;
            own.phase_variance *= factor;
            // Where gaps are held near the line between their neighbours, the fit lacks that power instead of holding it.
            let lacking = own.power.noise_v2 * (factor - 1.0);
            own.power.observed_v2 += lacking;
            own.power.noise_v2 += lacking;
        }
    }
}

/// A segment's harmonics as lines.
pub(crate) fn add_lines(lines: &mut Lines, segment: &SegmentFit) {
    for (i, c) in segment.fit.harmonics.iter().enumerate() {
        lines.push((i + 1) as f64 * segment.fit.fundamental, *c);
    }
}

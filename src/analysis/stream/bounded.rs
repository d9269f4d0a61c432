//! When a stream is fitted by what its samples only bound.

use super::segmented::ONE_SEGMENT_S;
use super::stream_fit::RecordFit;
use crate::analysis::combination::{Combined, CombinedHarmonic};
use crate::analysis::interval::{IntervalFit, IntervalTask, Said, fit};
use crate::analysis::record::{GapKind, Stream};
use crate::stats::span;
use rustfft::num_complex::Complex64;

/// Residual in steps up to which rounding is no longer noise: that of noise of 0.55 steps, rounding beside it.
const COARSE: f64 = 0.62;
/// Share of clipped samples from which filling them by least squares no longer serves.
const CLIPPED_SHARE: f64 = 0.06;
/// Longest record fitted so, rounded and clipped: its cost grows with the length.
const MOST_ROUNDED: usize = 1 << 14;
const MOST_CLIPPED: usize = 1 << 16;
/// |c|² over its variance from which the fundamental is fitted.
const RESOLVED: f64 = 25.0;
/// Peak, in steps, beyond which a tone is none of rounding's own: 2/π·max J₁ is 0.37.
const TRUE_TONE: f64 = 0.4;
/// Peak against the hum from which a tone is fitted beside clipped hum.
const STRONG_TONE: f64 = 0.1;

/// Whether the noise of a stream is below half its converter's step.
pub(crate) fn is_coarse(step: Option<f64>, residual_rms: f64) -> bool {
    step.is_some_and(|q| residual_rms < COARSE * q)
}

/// The interval fit of a stream where its samples call for one and it is short enough.
pub(super) fn read_bounded(
    stream: &Stream,
    found: &RecordFit,
    confidence: f64,
) -> Option<IntervalFit> {
    let [segment] = found.segments.as_slice() else {
        return None;
    };
    let coarse = stream
        .step
        .filter(|_| is_coarse(stream.step, found.residual_rms));
    let most = if heavily_clipped(stream) {
        MOST_CLIPPED
    } else if coarse.is_some() {
        MOST_ROUNDED
    } else {
        0
    };
    if stream.samples.len() > most {
        return None;
    }
    let said = said(stream, coarse);
    let reach = span(&stream.samples).max(coarse.unwrap_or(0.0));
    if !(reach > 0.0) {
        return None;
    }
    let resolved = |h: &CombinedHarmonic| h.amplitude.norm_sqr() > RESOLVED * h.variance;
    fit(&IntervalTask {
        said: &said,
        start: &segment.fit,
        tones: tones(stream, found, coarse),
        deviation: found
            .residual_rms
            .max(0.3 * coarse.unwrap_or(0.0))
            .max(1e-3 * reach),
        step: coarse,
        reach,
        free: found.combined.harmonics.iter().any(resolved),
        range: found.settings.range,
        prior: found
            .settings
            .prior
            .unwrap_or_else(|| within(found.settings.range)),
        confidence,
    })
}

/// Mean and variance of what lies evenly in a range.
fn within((low, high): (f64, f64)) -> (f64, f64) {
    (0.5 * (low + high), (high - low).powi(2) / 12.0)
}

/// Whether a record of so many frames over so many seconds is short enough to be fitted to its rails.
pub(crate) fn fits_clipped(frames: usize, duration_s: f64) -> bool {
    frames <= MOST_CLIPPED && duration_s <= ONE_SEGMENT_S
}

/// Whether so much is clipped that the fit is that of the limits.
fn heavily_clipped(stream: &Stream) -> bool {
    let clipped = stream
        .gaps
        .iter()
        .filter(|g| g.kind != GapKind::Missing)
        .count();
    clipped as f64 > CLIPPED_SHARE * stream.samples.len() as f64
}

fn said(stream: &Stream, coarse: Option<f64>) -> Vec<Said> {
    let mut said: Vec<Said> = stream
        .samples
        .iter()
        .map(|&x| match coarse {
            Some(step) => Said::Within(x - 0.5 * step, x + 0.5 * step),
            None => Said::Exactly(x),
        })
        .collect();
    for gap in &stream.gaps {
        said[gap.at] = match gap.kind {
            GapKind::Missing => Said::Nothing,
            GapKind::Above(limit) => Said::Within(limit, f64::INFINITY),
            GapKind::Below(limit) => Said::Within(f64::NEG_INFINITY, limit),
        };
    }
    said
}

/// Tones that neither rounding nor clipping can have made, as frequency and amplitude about the middle.
fn tones(stream: &Stream, found: &RecordFit, coarse: Option<f64>) -> Vec<(f64, Complex64)> {
    let hum = found.segments.first().map_or(0.0, |s| {
        s.fit
            .harmonics
            .iter()
            .map(Complex64::norm_sqr)
            .sum::<f64>()
            .sqrt()
    });
    let cell = 1.0 / stream.samples.len() as f64;
    found
        .tones
        .iter()
        .filter_map(|tone| {
            let fit = &tone.segments.first()?.fit;
            Some((fit.fundamental, *fit.harmonics.first()?))
        })
        .filter(|(nu, c)| match coarse {
            Some(step) => c.norm() > TRUE_TONE * step,
            None => {
                let fundamental = found.segments[0].fit.fundamental;
                let order = (nu / fundamental).round();
                c.norm() > STRONG_TONE * hum && (nu - order * fundamental).abs() > 2.0 * cell
            }
        })
        .collect()
}

/// What the variances of frequency and phases are raised by where samples are only bounded: hum of three steps in noise of
/// 0.13 steps was held 0.77 of the time without (60 records).
const STEPPED: f64 = 4.0;

/// Frequency and phases are claimed no more exactly than a fit that takes rounding for noise claims them: the curvature of the
/// steps' likelihood at its top is not its width where few steps are crossed.
pub(super) fn no_narrower(combined: &mut Combined, plain: &Combined) {
    combined.frequency_variance =
        STEPPED * combined.frequency_variance.max(plain.frequency_variance);
    for (own, other) in combined.harmonics.iter_mut().zip(&plain.harmonics) {
        own.phase_variance = STEPPED * own.phase_variance.max(other.phase_variance);
    }
}

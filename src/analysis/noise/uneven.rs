//! Noise that is not the same throughout a record.
//!
//! What passes beside the hum for some seconds (speech, a quake, a machine that starts) spoils the segments that it falls into, and
//! no others: these say less of the common phase than the record's mean noise has it.

use crate::analysis::series::{FitSettings, SegmentFit};
use crate::hum;
use crate::stats::{median, rms_about_mean};
use rustfft::num_complex::Complex64;

/// Power left of a segment over that of most, from which the noise beside the hum is looked at segment by segment.
const UNEVEN: f64 = 2.0;
/// Fewest segments among which that tells.
const FEWEST: usize = 4;

/// Notes the noise beside the leading order in each segment, where segments differ in what the fit leaves. `pieces`: the samples of
/// each.
pub(crate) fn note_uneven_noise(
    residual: &[f64],
    pieces: &[(usize, usize)],
    settings: &FitSettings,
    segments: &mut [SegmentFit],
) {
    if segments.len() < FEWEST || segments.len() != pieces.len() {
        return;
    }
    let left = || {
        pieces
            .iter()
            .filter_map(|&(from, to)| residual.get(from..to))
    };
    let powers: Vec<f64> = left().map(|piece| rms_about_mean(piece).powi(2)).collect();
    let usual = median(&mut powers.clone());
    if powers.iter().all(|power| *power <= UNEVEN * usual) {
        return;
    }
    let Some(order) = leading(settings, segments) else {
        return;
    };
    for (piece, segment) in left().zip(segments) {
        let place = order as f64 * segment.fit.fundamental;
        let noise = settings.noise[order];
        let ratio = hum::excess_at(piece, place, settings.weighting, noise);
        segment.noise_beside = Some((order, ratio * noise));
    }
}

/// Noise in each segment over the mean one (`variances`: a sample, by order), at least 1.
pub(crate) fn loudness(segments: &[SegmentFit], variances: &[f64]) -> Vec<f64> {
    let of = |segment: &SegmentFit| {
        let (order, noise) = segment.noise_beside?;
        let mean = variances.get(order).filter(|mean| **mean > 0.0)?;
        Some((noise / mean).max(1.0))
    };
    segments.iter().map(|own| of(own).unwrap_or(1.0)).collect()
}

/// The order that tells most of the phase.
fn leading(settings: &FitSettings, segments: &[SegmentFit]) -> Option<usize> {
    let told = |k: usize| {
        let squares = segments.iter().filter_map(|s| s.fit.harmonics.get(k - 1));
        let power: f64 = squares.map(Complex64::norm_sqr).sum();
        (k * k) as f64 * power / settings.noise[k].max(f64::MIN_POSITIVE)
    };
    let highest = settings.orders.min(settings.noise.len().saturating_sub(1));
    (1..=highest.min(settings.highest_guide()))
        .filter(|k| !settings.aside.contains(k) && !settings.muted.contains(k))
        .max_by(|a, b| told(*a).total_cmp(&told(*b)))
}

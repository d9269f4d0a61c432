//! A stretch that goes on as the one before it: known lines fitted again, without a search.
//!
//! One transform a segment: series and tones are fitted in turn, each with the others taken out of the
//! transform in closed form. Where anything new shows in what is left, or a sample is missing, nothing is told and the
//! stretch has to be analysed in full.

use crate::analysis::noise::note_uneven_noise;
use crate::analysis::series::{FitSettings, Lines, Remainder, SegmentFit, mean_fundamental};
use crate::analysis::stream::{Known, KnownTone, Segmented, density, floor};
use crate::analysis::tones::find_peaks;
use crate::spectrum::{Density, Multitaper, Nudft};
use crate::stats::chi_square_ratio_quantile;
use std::f64::consts::PI;

/// Probability that a stretch with nothing new in it is analysed in full all the same.
const FALSE_ALARM: f64 = 1e-4;
/// Share of a tone's scatter up to which a harmonic's leakage is left in its fit.
const LEAKS: f64 = 1e-3;
/// Fits of several tones, which leak into each other.
const TURNS: usize = 2;

/// The fits of a stretch and what they leave.
pub(super) struct Followed {
    pub(super) segments: Vec<SegmentFit>,
    pub(super) tones: Vec<Vec<SegmentFit>>,
    pub(super) density: Density,
    pub(super) residual: Vec<f64>,
}

/// Fits what is `known`, from `settings` of the stretch before.
pub(super) fn follow(
    segmented: &Segmented<'_>,
    known: &Known,
    settings: &FitSettings,
    estimator: &Multitaper,
) -> Option<Followed> {
    // Lines that stand close together settle slowly.
    let beside =
        |tone: &KnownTone| segmented.stands_beside(tone.place, known.fundamental, settings.orders);
    if known.tones.iter().any(beside) {
        return None;
    }
    let transforms = segmented.transforms();
    let mut start = known.fundamental;
    let mut tones = Vec::new();
    // Series, tones, and the series again without them.
    if !known.tones.is_empty() {
        // For what leaks into tones, a first look does.
        let own = segmented.remainders(&transforms, &[], &[]);
        let first = segmented.fit_once(settings, &own, start);
        if first.len() != transforms.len() {
            return None;
        }
        start = mean_fundamental(&first)?;
        tones = fit_tones(segmented, &transforms, known, settings, &first)?;
    }
    let own = segmented.remainders(&transforms, &[], &tones);
    let mut segments = segmented.fit_series(settings, &own, start);
    if segments.len() != transforms.len() {
        return None;
    }
    drop(transforms);
    let residual = segmented.residual(&segments, &tones);
    note_uneven_noise(&residual, segmented.pieces(), settings, &mut segments);
    let density = density(estimator, &residual, segmented.rate_hz());
    let frame = segmented.frame();
    let floor = floor(&frame, estimator, &density, settings, &segments, &tones);
    let dof = 2.0 * (density.tapers * density.records) as f64;
    let cells = density.values.len() as f64 / density.tapers as f64;
    let threshold = chi_square_ratio_quantile(1.0 - FALSE_ALARM / cells, dof);
    let news = find_peaks(&density, &floor, 2.0 * density.bin_hz)
        .into_iter()
        .any(|peak| {
            peak.ratio > threshold && !segmented.expected(peak.frequency_hz, &segments, &tones)
        });
    (!news).then_some(Followed {
        segments,
        tones,
        density,
        residual,
    })
}

/// Fits the known tones beside a series; several once more with all of them known.
fn fit_tones(
    segmented: &Segmented<'_>,
    transforms: &[Nudft],
    known: &Known,
    settings: &FitSettings,
    segments: &[SegmentFit],
) -> Option<Vec<Vec<SegmentFit>>> {
    let mut tones: Vec<Vec<SegmentFit>> = Vec::new();
    let turns = known.tones.len().min(TURNS);
    for (t, tone) in (0..turns).flat_map(|_| known.tones.iter().enumerate()) {
        let settings = segmented.tone_settings(settings, tone);
        let own: Vec<Remainder<'_>> = transforms
            .iter()
            .enumerate()
            .map(|(i, transform)| Remainder {
                transform,
                lines: others(&settings, &segments[i], &tones, t, i),
            })
            .collect();
        let last = tones.get(t).and_then(|t| mean_fundamental(t));
        let fits = segmented.fit_series(&settings, &own, last.unwrap_or(tone.place));
        if fits.len() != transforms.len() {
            return None;
        }
        match tones.get_mut(t) {
            Some(tone) => *tone = fits,
            None => tones.push(fits),
        }
    }
    Some(tones)
}

/// The harmonics of segment `i` whose Hann-weighted skirt |W(d)| ≤ 1/(πd(d² − 1)) matters for a tone, and the tones
/// but number `own`.
fn others(
    settings: &FitSettings,
    series: &SegmentFit,
    tones: &[Vec<SegmentFit>],
    own: usize,
    i: usize,
) -> Lines {
    let length = series.fit.length as f64;
    let limit = LEAKS * settings.coefficient_variance(1, series.fit.length).sqrt();
    let place = 0.5 * (settings.range.0 + settings.range.1);
    let mut lines = Lines::new(series.fit.length);
    for (c, k) in series.fit.harmonics.iter().zip(1..) {
        let nu = f64::from(k) * series.fit.fundamental;
        let d = (nu - place).abs() * length;
        if c.norm() > limit * PI * d * (d * d - 1.0) {
            lines.push(nu, *c);
        }
    }
    for (t, tone) in tones.iter().enumerate() {
        if t != own
            && let Some(c) = tone[i].fit.harmonics.first()
        {
            lines.push(tone[i].fit.fundamental, *c);
        }
    }
    lines
}

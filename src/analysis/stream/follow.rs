//! A stretch that goes on as the one before it: known lines fitted again, without a search.
//!
//! One transform a segment: series and tones are fitted in turn, each with the others taken out of the
//! transform in closed form. Where anything new shows in what is left, or a sample is missing, nothing is told and the
//! stretch has to be analysed in full.

use super::channel::{Known, Work, mean_fundamental};
use super::tone_fit::KnownTone;
use crate::analysis::series::{FitSettings, SegmentFit};
use crate::analysis::series::{Lines, Remainder};
use crate::analysis::tones::find_peaks;
use crate::spectrum::{Density, Multitaper};
use crate::stats::chi_square_ratio_quantile;
use std::f64::consts::PI;

/// Probability that a stretch with nothing new in it is analysed in full all the same.
const FALSE_ALARM: f64 = 1e-4;
/// Share of a tone's scatter up to which a harmonic's leakage is left in its fit.
const LEAKS: f64 = 1e-3;

/// The fits of a stretch and what they leave.
pub(crate) struct Followed {
    pub(crate) segments: Vec<SegmentFit>,
    pub(crate) tones: Vec<Vec<SegmentFit>>,
    pub(crate) density: Density,
    pub(crate) residual: Vec<f64>,
}

impl Work<'_> {
    /// Fits what is `known`, from `settings` of the stretch before.
    pub(crate) fn follow(
        &self,
        known: &Known,
        settings: &FitSettings,
        estimator: &Multitaper,
    ) -> Option<Followed> {
        // Lines that stand close together settle slowly.
        let beside =
            |tone: &KnownTone| self.stands_beside(tone.place, known.fundamental, settings.orders);
        if known.tones.iter().any(beside) {
            return None;
        }
        let transforms = self.transforms();
        let mut tones: Vec<Vec<SegmentFit>> = Vec::new();
        let mut start = known.fundamental;
        let mut segments;
        // Series, tones, and the series again without them.
        loop {
            let last = tones.len() == known.tones.len();
            let own = self.remainders(&transforms, &[], &tones);
            // For what leaks into tones, a first look does.
            segments = if last {
                self.fit_series(settings, &own, start)
            } else {
                self.fit_once(settings, &own, start)
            };
            if segments.len() != transforms.len() {
                return None;
            }
            if last {
                break;
            }
            start = mean_fundamental(&segments)?;
            // Several tones leak into each other: once more with all of them known.
            let turns = known.tones.len().min(2);
            for (t, tone) in (0..turns).flat_map(|_| known.tones.iter().enumerate()) {
                let settings = self.tone_settings(settings, tone);
                let own: Vec<Remainder<'_>> = transforms
                    .iter()
                    .enumerate()
                    .map(|(i, transform)| Remainder {
                        transform,
                        lines: others(&settings, &segments[i], &tones, t, i),
                    })
                    .collect();
                let last = tones.get(t).and_then(|t| mean_fundamental(t));
                let fits = self.fit_series(&settings, &own, last.unwrap_or(tone.place));
                if fits.len() != transforms.len() {
                    return None;
                }
                match tones.get_mut(t) {
                    Some(tone) => *tone = fits,
                    None => tones.push(fits),
                }
            }
        }
        drop(transforms);
        let residual = self.residual(&segments, &tones);
        let density = self.density(estimator, &residual);
        let floor = self.floor(estimator, &density, settings, &segments, &tones);
        let dof = 2.0 * (density.tapers * density.records) as f64;
        let cells = density.values.len() as f64 / density.tapers as f64;
        let threshold = chi_square_ratio_quantile(1.0 - FALSE_ALARM / cells, dof);
        let news = find_peaks(&density, &floor, 2.0 * density.bin_hz)
            .into_iter()
            .any(|peak| {
                peak.ratio > threshold && !self.expected(peak.frequency_hz, &segments, &tones)
            });
        (!news).then_some(Followed {
            segments,
            tones,
            density,
            residual,
        })
    }
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

//! Tones: lines that are no harmonic, each fitted as a series of one order.

use super::channel::{Work, add_lines, mean_fundamental};
use super::combine::OrderNoise;
use super::level::robust_level;
use super::noise_floor::NoiseFloor;
use super::remainder::Transform;
use super::segment::{FitSettings, SegmentFit};
use super::tones::find_peaks;
use crate::spectrum::{Density, Nudft, Weighting};

/// Most tones that are fitted, and how many of them twice.
const MOST_TONES: usize = 24;
const MOST_REFITS: usize = 6;
/// A tone leaks into an unweighted fit of orders ten cells away by 1/(10π): peaks below that share of the strongest's
/// power wait until the series was fitted without it.
const LEAKED: f64 = 1e-3;

/// A tone that an earlier stretch told.
#[derive(Debug, Clone, Copy)]
pub(super) struct KnownTone {
    /// Cycles per sample.
    pub(super) place: f64,
    /// Whether one segment tells its frequency.
    pub(super) strong: bool,
}

impl Work<'_> {
    /// Settings for a known tone, in the noise of the order next to it. A weak one stays where it is: free, it would
    /// run after the noise.
    pub(super) fn tone_settings(&self, series: &FitSettings, tone: &KnownTone) -> FitSettings {
        let place = tone.place;
        let reach = if tone.strong { 1.5 } else { 0.05 };
        let cell = 1.0 / (self.pieces[0].1 - self.pieces[0].0) as f64;
        let middle = 0.5 * (series.range.0 + series.range.1);
        let order = ((place / middle).round() as usize).clamp(1, series.orders.max(1));
        let noise = series.noise.get(order).copied().unwrap_or_default();
        FitSettings {
            weighting: Weighting::Hann,
            orders: 1,
            noise: vec![noise; 2],
            range: (place - reach * cell, place + reach * cell),
            prior: None,
        }
    }

    /// Whether a peak beside a known line may be what that line's own movement leaves.
    pub(super) fn expected(
        &self,
        frequency_hz: f64,
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> bool {
        let near = 4.0 / self.fitted_over_s();
        let rate = self.stream.rate_hz;
        let orders = segments.first().map_or(0, |s| s.fit.harmonics.len());
        let beside_series = mean_fundamental(segments).is_some_and(|f| {
            let order = (frequency_hz / (f * rate)).round();
            order >= 1.0 && order <= orders as f64 && (frequency_hz - order * f * rate).abs() < near
        });
        let mut tones = tones.iter().filter_map(|t| mean_fundamental(t));
        beside_series || tones.any(|f| (frequency_hz - f * rate).abs() < near)
    }

    /// Fits one tone in every segment.
    pub(super) fn fit_tone(
        &self,
        transforms: &[impl Transform],
        density: &Density,
        frequency_hz: f64,
    ) -> Vec<SegmentFit> {
        let rate = self.stream.rate_hz;
        let length = self.pieces[0].1 - self.pieces[0].0;
        let cell = 1.0 / length as f64;
        let fundamental = frequency_hz / rate;
        let level = robust_level(
            &density.mean(),
            frequency_hz / density.bin_hz,
            24.0,
            2.0 * (density.records * density.tapers) as f64,
        ) * 0.5
            * rate;
        let settings = FitSettings {
            weighting: Weighting::Hann,
            orders: 1,
            noise: vec![level; 2],
            range: (fundamental - 1.5 * cell, fundamental + 1.5 * cell),
            prior: None,
        };
        self.fit_series(&settings, transforms, fundamental)
    }

    pub(super) fn tone_noise(&self, floor: &NoiseFloor, segments: &[SegmentFit]) -> OrderNoise {
        let frequency = mean_fundamental(segments).unwrap_or(0.0) * self.stream.rate_hz;
        let (level, dof) = floor.level_at(frequency, 0.0);
        OrderNoise {
            variances: segments
                .iter()
                .map(|s| 1.5 * level * self.stream.rate_hz / s.fit.length as f64)
                .collect(),
            dof,
        }
    }

    /// Tones where the density of what is left shows peaks.
    pub(super) fn add_tones(
        &self,
        whole: &[Nudft],
        tones: &mut Vec<Vec<SegmentFit>>,
        density: &Density,
        floor: &NoiseFloor,
        segments: &[SegmentFit],
    ) {
        let peaks = find_peaks(density, floor, 2.0 * density.bin_hz);
        let Some(strongest) = peaks.first().map(|p| p.ratio) else {
            return;
        };
        let own = self.remainders(whole, segments, tones);
        for peak in peaks {
            if tones.len() >= MOST_TONES
                || peak.frequency_hz > self.stream.clean_to_hz
                || peak.ratio < LEAKED * strongest
            {
                continue;
            }
            // Two lines within two cells are not told apart: their fits would stand against each other.
            let near = 2.0 / self.fitted_over_s();
            let taken = |t: &Vec<SegmentFit>| {
                mean_fundamental(t)
                    .is_some_and(|f| (f * self.stream.rate_hz - peak.frequency_hz).abs() < near)
            };
            if tones.iter().any(taken) {
                continue;
            }
            let tone = self.fit_tone(&own, density, peak.frequency_hz);
            if !self.is_skirt(&tone, segments) {
                tones.push(tone);
            }
        }
    }

    /// Whether a tone is what a moving harmonic leaves beside itself: within a cell of it, or
    /// within four and below a hundredth of its amplitude.
    fn is_skirt(&self, tone: &[SegmentFit], segments: &[SegmentFit]) -> bool {
        let (Some(tone_at), Some(fundamental)) =
            (mean_fundamental(tone), mean_fundamental(segments))
        else {
            return false;
        };
        let order = (tone_at / fundamental).round() as usize;
        let reach = 4.0 / (self.pieces[0].1 - self.pieces[0].0) as f64;
        let distance = (tone_at - order as f64 * fundamental).abs();
        if order == 0
            || order > segments.first().map_or(0, |s| s.fit.harmonics.len())
            || distance > reach
        {
            return false;
        }
        if distance < 0.3 * reach {
            return true;
        }
        let power = |fits: &[SegmentFit], k: usize| -> f64 {
            fits.iter()
                .filter_map(|s| s.fit.harmonics.get(k - 1))
                .map(rustfft::num_complex::Complex::norm_sqr)
                .sum()
        };
        power(tone, 1) < 1e-4 * power(segments, order)
    }

    /// Each tone once more against everything else taken out.
    pub(super) fn refit_tones(
        &self,
        whole: &[Nudft],
        segments: &[SegmentFit],
        tones: &mut [Vec<SegmentFit>],
        floor: &NoiseFloor,
    ) {
        let rate = self.stream.rate_hz;
        if tones.is_empty() {
            return;
        }
        let series = self.remainders(whole, segments, &[]);
        for tone in 0..tones.len().min(MOST_REFITS) {
            let Some(fundamental) = mean_fundamental(&tones[tone]) else {
                continue;
            };
            let mut own = series.clone();
            for other in (0..tones.len()).filter(|&other| other != tone) {
                for (remainder, segment) in own.iter_mut().zip(&tones[other]) {
                    add_lines(&mut remainder.lines, segment);
                }
            }
            let level = floor.level_at(fundamental * rate, 0.0).0 * 0.5 * rate;
            let cell = 1.0 / (self.pieces[0].1 - self.pieces[0].0) as f64;
            let settings = FitSettings {
                weighting: Weighting::Hann,
                orders: 1,
                noise: vec![level.max(f64::MIN_POSITIVE); 2],
                range: (fundamental - cell, fundamental + cell),
                prior: None,
            };
            tones[tone] = self.fit_series(&settings, &own, fundamental);
        }
    }
}

//! Tones: lines that are no harmonic, each fitted as a series of one order.

use super::segmented::{Segmented, add_lines};
use super::stream_fit::KnownTone;
use crate::analysis::noise::{NoiseFloor, robust_level};
use crate::analysis::series::{FitSettings, SegmentFit, Transform, mean_fundamental};
use crate::analysis::tones::{NearLines, find_peaks, near_lines};
use crate::spectrum::{Density, Nudft};
use rustfft::num_complex::Complex64;

/// Most tones that are fitted, and how many of them twice but for those that stand beside an order.
const MOST_TONES: usize = 24;
const MOST_REFITS: usize = 6;
/// A tone leaks into an unweighted fit of orders ten cells away by 1/(10π): peaks below that share of the strongest's
/// power wait until the series was fitted without it.
const LEAKED: f64 = 1e-3;

/// Cells, one over a segment's length, within which a line stands beside another, and within which two are not told
/// apart: their fits would stand against each other.
const BESIDE_CELLS: f64 = 4.0;
const TOGETHER_CELLS: f64 = 2.0;
/// Orders beside which lines are looked for, and from what power over its variance a segment on.
const NEAR_ORDERS: usize = 9;
const STRONG: f64 = 1e2;

/// The places within so many cells of one, in cycles per sample, that a line can have: a cell or more above 0, below which
/// it is not told from the offset and its slope, and as far below half the rate.
fn within_band(place: f64, reach: f64, cell: f64) -> (f64, f64) {
    let edge = cell.min(0.25);
    let inside = |place: f64| place.clamp(edge, 0.5 - edge);
    (inside(place - reach * cell), inside(place + reach * cell))
}

fn orders_of(segments: &[SegmentFit]) -> usize {
    segments.first().map_or(0, |s| s.fit.harmonics.len())
}

impl Segmented<'_> {
    /// Settings for a known tone, in the noise of the order next to it. A weak one stays where it is: free, it would
    /// run after the noise.
    pub(crate) fn tone_settings(&self, series: &FitSettings, tone: &KnownTone) -> FitSettings {
        let place = tone.place;
        let reach = if tone.strong { 1.5 } else { 0.05 };
        let cell = 1.0 / self.length() as f64;
        let middle = 0.5 * (series.range.0 + series.range.1);
        let order = ((place / middle).round() as usize).clamp(1, series.orders.max(1));
        let noise = series.noise.get(order).copied().unwrap_or_default();
        FitSettings::of_line(noise, within_band(place, reach, cell))
    }

    /// Whether a peak beside a known line may be what that line's own movement leaves.
    pub(crate) fn expected(
        &self,
        frequency_hz: f64,
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> bool {
        let place = frequency_hz / self.rate_hz();
        let orders = orders_of(segments);
        let beside_series = mean_fundamental(segments)
            .is_some_and(|fundamental| self.beside_order(place, fundamental, orders).is_some());
        beside_series || self.is_taken(frequency_hz, tones, BESIDE_CELLS)
    }

    /// Fits one tone in every segment.
    pub(crate) fn fit_tone(
        &self,
        transforms: &[impl Transform],
        density: &Density,
        frequency_hz: f64,
    ) -> Vec<SegmentFit> {
        let rate = self.rate_hz();
        let length = self.length();
        let cell = 1.0 / length as f64;
        let fundamental = (frequency_hz / rate).clamp(0.0, 0.5);
        let level = robust_level(
            &density.mean(),
            frequency_hz / density.bin_hz,
            24.0,
            2.0 * (density.records * density.tapers) as f64,
        ) * 0.5
            * rate;
        let settings = FitSettings::of_line(level, within_band(fundamental, 1.5, cell));
        self.fit_series(&settings, transforms, fundamental)
    }

    /// Tones where the density of what is left shows peaks.
    pub(crate) fn add_tones(
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
                || peak.frequency_hz > self.stream().clean_to_hz
                || peak.ratio < LEAKED * strongest
            {
                continue;
            }
            if self.is_taken(peak.frequency_hz, tones, TOGETHER_CELLS) {
                continue;
            }
            let tone = self.fit_tone(&own, density, peak.frequency_hz);
            if !self.is_skirt(&tone, segments) {
                tones.push(tone);
            }
        }
    }

    /// The one of so many orders that a place (cycles per sample) stands beside, and its distance in cells.
    fn beside_order(&self, place: f64, fundamental: f64, orders: usize) -> Option<(usize, f64)> {
        let order = (place / fundamental).round() as usize;
        let length = self.length() as f64;
        let distance = (place - order as f64 * fundamental).abs() * length;
        ((1..=orders).contains(&order) && distance < BESIDE_CELLS).then_some((order, distance))
    }

    /// Whether a place is so near to one of so many orders that the segments of a longer record hardly part them.
    pub(crate) fn stands_beside(&self, place: f64, fundamental: f64, orders: usize) -> bool {
        self.pieces().len() > 1 && self.beside_order(place, fundamental, orders).is_some()
    }

    /// Whether a tone stands within so many cells of a frequency.
    fn is_taken(&self, frequency_hz: f64, tones: &[Vec<SegmentFit>], cells: f64) -> bool {
        let near = cells / self.frame().fitted_over_s();
        let rate = self.rate_hz();
        let mut places = tones.iter().filter_map(|t| mean_fundamental(t));
        places.any(|place| (place * rate - frequency_hz).abs() < near)
    }

    /// Steady lines close beside strong orders, as the whole record shows them.
    pub(crate) fn lines_beside(
        &self,
        segments: &[SegmentFit],
        settings: &FitSettings,
    ) -> NearLines {
        let (Some(fundamental), [first, _, ..]) = (mean_fundamental(segments), segments) else {
            return NearLines::default();
        };
        let rate = self.rate_hz();
        let strong: Vec<usize> = (1..=settings.orders.min(NEAR_ORDERS))
            .filter(|&k| {
                let powers = segments.iter().map(|s| s.fit.harmonics[k - 1].norm_sqr());
                let noise = settings.coefficient_variance(k, first.fit.length);
                powers.sum::<f64>() > STRONG * segments.len() as f64 * noise
            })
            .collect();
        near_lines(self.samples(), rate, fundamental * rate, &strong)
    }

    /// Fits lines close beside strong orders, which segments do not tell from those orders' own movement; whether any
    /// were added.
    pub(crate) fn add_near_lines(
        &self,
        whole: &[Nudft],
        density: &Density,
        settings: &FitSettings,
        near_lines: &NearLines,
        tones: &mut Vec<Vec<SegmentFit>>,
    ) -> bool {
        let (Some(fundamental_hz), [_, ..]) = (near_lines.fundamental_hz, &near_lines.lines_hz[..])
        else {
            return false;
        };
        let rate = self.rate_hz();
        let before = tones.len();
        // Beside the series at one steady frequency, so that none of it moves with the lines.
        let steady = self.fit_once(settings, whole, fundamental_hz / rate);
        for line in &near_lines.lines_hz {
            if tones.len() < MOST_TONES && !self.is_taken(*line, tones, TOGETHER_CELLS) {
                let own = self.remainders(whole, &steady, tones);
                tones.push(self.fit_tone(&own, density, *line));
            }
        }
        tones.len() > before
    }

    /// Whether a tone is what a moving harmonic leaves beside itself: within a cell of it, or
    /// within four and below a hundredth of its amplitude.
    fn is_skirt(&self, tone: &[SegmentFit], segments: &[SegmentFit]) -> bool {
        let (Some(tone_at), Some(fundamental)) =
            (mean_fundamental(tone), mean_fundamental(segments))
        else {
            return false;
        };
        let beside = self.beside_order(tone_at, fundamental, orders_of(segments));
        let Some((order, distance)) = beside else {
            return false;
        };
        if distance < 0.3 * BESIDE_CELLS {
            return true;
        }
        let power = |fits: &[SegmentFit], k: usize| -> f64 {
            fits.iter()
                .filter_map(|s| s.fit.harmonics.get(k - 1))
                .map(Complex64::norm_sqr)
                .sum()
        };
        power(tone, 1) < 1e-4 * power(segments, order)
    }

    /// Each tone once more against everything else taken out.
    pub(crate) fn refit_tones(
        &self,
        whole: &[Nudft],
        segments: &[SegmentFit],
        tones: &mut [Vec<SegmentFit>],
        floor: &NoiseFloor,
    ) {
        let rate = self.rate_hz();
        if tones.is_empty() {
            return;
        }
        let series = self.remainders(whole, segments, &[]);
        let mains = mean_fundamental(segments);
        let orders = orders_of(segments);
        for tone in 0..tones.len() {
            let Some(fundamental) = mean_fundamental(&tones[tone]) else {
                continue;
            };
            let beside = mains.is_some_and(|mains| self.stands_beside(fundamental, mains, orders));
            if tone >= MOST_REFITS && !beside {
                continue;
            }
            let mut own = series.clone();
            for other in (0..tones.len()).filter(|&other| other != tone) {
                for (remainder, segment) in own.iter_mut().zip(&tones[other]) {
                    add_lines(&mut remainder.lines, segment);
                }
            }
            let level = floor.level_at(fundamental * rate, 0.0).0 * 0.5 * rate;
            let cell = 1.0 / self.length() as f64;
            let settings = FitSettings::of_line(
                level.max(f64::MIN_POSITIVE),
                within_band(fundamental, 1.0, cell),
            );
            tones[tone] = self.fit_series(&settings, &own, fundamental);
        }
    }
}

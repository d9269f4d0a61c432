//! Where the fit of a stream starts: nominal frequency, fundamental, and lines to take out first.

use super::acquisition::acquire;
use super::noise::rough_noise;
use super::segmented::Segmented;
use super::stream_fit::Known;
use crate::analysis::options::GRID_RANGE;
use crate::analysis::series::{FitSettings, SegmentFit};
use crate::hum::{Presence, Present};
use crate::spectrum::{Density, Nudft};

/// Most lines that are taken out before the series is found.
const MOST_FOREIGN: usize = 12;
/// Share of a drifting generator's mean frequency within which its segments lie.
const DRIFTING: f64 = 0.1;
/// How far a segment's frequency may stray from the record's, Hz (one deviation): more than grids do within a minute.
const STRAY_HZ: f64 = 0.1;
/// Room beside the grid's range in which a fit may end.
const ROOM: f64 = 0.002;
/// Cycles below which the frequency is drawn to the nominal one.
const LEAST_CYCLES: f64 = 2.0;

/// What is known before the series is fitted.
#[derive(Default)]
pub(super) struct Start {
    pub(super) nominal_hz: f64,
    /// Cycles per sample.
    pub(super) fundamental: f64,
    pub(super) decided: bool,
    pub(super) presence: Presence,
    /// Lines fitted so far that are no orders.
    pub(super) tones: Vec<Vec<SegmentFit>>,
    /// Orders that do not tell the fundamental, and those that are not fitted.
    aside: Vec<usize>,
    muted: Vec<usize>,
}

impl Start {
    /// From an earlier stretch.
    pub(super) fn of(known: &Known) -> Self {
        Self {
            nominal_hz: known.nominal_hz,
            fundamental: known.fundamental,
            decided: known.decided,
            aside: known.aside.clone(),
            muted: known.muted.clone(),
            ..Self::default()
        }
    }

    /// From what a look at the stream's lines says.
    pub(super) fn find(
        segmented: &Segmented<'_>,
        presence: Presence,
        whole: &[Nudft],
        total: &Density,
    ) -> Self {
        let start = match &presence {
            Presence::Present(seen) => Self::beside_foreign(segmented, seen, whole, total),
            _ => Self::search(segmented, whole, total),
        };
        Self { presence, ..start }
    }

    /// The series that was seen; lines that are surely another's are taken out.
    fn beside_foreign(
        segmented: &Segmented<'_>,
        seen: &Present,
        whole: &[Nudft],
        total: &Density,
    ) -> Self {
        let mut tones = Vec::new();
        for other in seen.foreign.iter().filter(|other| other.proved) {
            let own = segmented.remainders(whole, &[], &tones);
            tones.push(segmented.fit_tone(&own, total, other.line.hz));
        }
        let proved = seen.foreign.iter().filter(|other| other.proved);
        Self {
            nominal_hz: seen.nominal_hz,
            fundamental: seen.fundamental_hz / segmented.rate_hz(),
            decided: true,
            tones,
            aside: seen.foreign.iter().map(|other| other.order).collect(),
            muted: proved.map(|other| other.order).collect(),
            ..Self::default()
        }
    }

    /// Searched, lines outside the grid's range that the search runs into taken out.
    fn search(segmented: &Segmented<'_>, whole: &[Nudft], total: &Density) -> Self {
        let mut tones: Vec<Vec<SegmentFit>> = Vec::new();
        let mut found = acquire(segmented, segmented.samples(), whole, total);
        while let Some(line_hz) = found.outside
            && tones.len() < MOST_FOREIGN
        {
            let own = segmented.remainders(whole, &[], &tones);
            tones.push(segmented.fit_tone(&own, total, line_hz));
            let samples = segmented.residual(&[], &tones);
            let transforms = segmented.transforms_of(&samples);
            found = acquire(segmented, &samples, &transforms, total);
        }
        Self {
            nominal_hz: found.nominal_hz,
            fundamental: found.fundamental,
            decided: found.decided,
            tones,
            ..Self::default()
        }
    }

    /// Settings of the series before anything was fitted.
    pub(super) fn settings(&self, segmented: &Segmented<'_>, total: &Density) -> FitSettings {
        let rate = segmented.rate_hz();
        let nominal_hz = self.nominal_hz;
        let orders = segmented.highest_order(nominal_hz);
        let noise = rough_noise(total, rate, nominal_hz, orders);
        let range = (
            (1.0 - GRID_RANGE) * nominal_hz / rate * (1.0 - ROOM),
            (1.0 + GRID_RANGE) * nominal_hz / rate * (1.0 + ROOM),
        );
        let mut settings = FitSettings::new(orders, noise, range);
        let cycles = segmented.samples().len() as f64 / rate * nominal_hz;
        if cycles < LEAST_CYCLES {
            let deviation = GRID_RANGE / 3f64.sqrt() * nominal_hz / rate;
            settings.prior = Some((nominal_hz / rate, deviation * deviation));
        } else if let Presence::Present(seen) = &self.presence {
            let (place, wide) = (seen.fundamental_hz / rate, STRAY_HZ / rate);
            let u = seen.uncertainty_hz / rate;
            let reach = if seen.drifts {
                DRIFTING * place
            } else {
                5.0 * (wide + u)
            };
            settings.range = (place - reach, place + reach);
            // The place was read from the same samples: it holds segments together, but tells nothing of a single one.
            if segmented.pieces().len() > 1 {
                settings.prior = Some((place, wide * wide + u * u));
            }
        }
        settings.aside.clone_from(&self.aside);
        settings.muted.clone_from(&self.muted);
        settings
    }
}

//! Sidebands: what a modulation of the hum looks like where the record parts its lines from the orders.
//!
//! A factor 1 + m·cos(2πFt + φ) on an order, or such a term on its phase, leaves two lines of one height as far below it as above,
//! whose phases add up to twice the order's, or half a turn from that (modulation theory; Carson 1922). Lines of another origin
//! meet all of these by chance alone.

use super::foreign::widen_by_power;
use crate::analysis::combination::CombinedHarmonic;
use crate::analysis::measurement::Harmonic;
use crate::analysis::stream::{RecordFit, ToneFit};
use crate::stats::{Estimate, LinePower};
use crate::{Warning, WarningCode};
use std::f64::consts::{FRAC_PI_2, PI};

/// Farthest sidebands, as a share of the fundamental's frequency: half way to the next order.
const REACH: f64 = 0.5;
/// Deviations by which places, heights and phases may miss.
const MISSES: f64 = 4.0;
/// Beside those: cells of 1/T, the share of the larger height, and radians.
const PLACE_CELLS: f64 = 0.1;
const HEIGHT: f64 = 0.15;
const TURN: f64 = 0.3;
/// Largest uncertainty of the pair's middle, as a share of its distance from the order, that proves anything.
const TOLD: f64 = 0.02;
/// Largest height of each, as a share of the order's: an order that is gone half of the time has 0.64.
const LARGEST: f64 = 0.7;
/// Share of what comes and goes that is not sure where hardly anything else is in it.
const UNSURE: f64 = 0.2;
/// Share of the hum's power from which it is told.
const TOLD_SHARE: f64 = 0.01;

/// Two tones that are one order's sidebands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sidebands {
    pub(super) order: usize,
    pub(super) distance_hz: f64,
    /// Which of the fit's tones.
    pub(super) tones: [usize; 2],
}

impl Sidebands {
    /// Their powers.
    fn powers<'a>(&self, tones: &'a [ToneFit]) -> impl Iterator<Item = &'a LinePower> {
        let lines = self.tones.map(|tone| &tones[tone].combined.harmonics);
        lines
            .into_iter()
            .filter_map(|own| Some(&own.first()?.power))
    }
}

/// The power of an order with its sidebands.
pub(super) fn with_sidebands(fit: &RecordFit, order: usize, found: &[Sidebands]) -> LinePower {
    let own = fit.combined.harmonics[order - 1].power;
    let pairs = found.iter().filter(|pair| pair.order == order);
    let lines: Vec<&LinePower> = pairs.flat_map(|pair| pair.powers(&fit.tones)).collect();
    let beside: f64 = lines.iter().map(|line| line.observed_v2).sum();
    let modulated = LinePower {
        observed_v2: (modulation_of(fit, order) - beside).max(0.0),
        noise_v2: 0.0,
        ..own
    };
    let modulated = Some(&modulated).filter(|own| fit.modulation.alone && own.observed_v2 > 0.0);
    if lines.is_empty() && modulated.is_none() {
        return own;
    }
    LinePower::sum(std::iter::once(&own).chain(lines).chain(modulated))
}

/// Mean square of what comes and goes of an order.
fn modulation_of(fit: &RecordFit, order: usize) -> f64 {
    let mut orders = fit.modulation.orders.iter();
    orders.find(|own| own.0 == order).map_or(0.0, |own| own.1)
}

/// Leaves room for what of it was not followed.
pub(super) fn cover_modulation(fit: &RecordFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let share = if fit.modulation.alone { UNSURE } else { 1.0 };
    let mut all = 0.0;
    for (order, power) in &fit.modulation.orders {
        all += share * power;
        if let Some(harmonic) = harmonics.get_mut(order - 1) {
            widen_by_power(&mut harmonic.rms, share * power);
        }
    }
    if all > 0.0 {
        widen_by_power(hum, all);
    }
}

/// Over a record that does not hold whole periods of the modulation an order and its sidebands do not add up as powers: by up to
/// 2m/(πFT) of the order's power either way. Figures that leave room for it.
pub(super) fn cover_beats(
    fit: &RecordFit,
    found: &[Sidebands],
    duration_s: f64,
    (harmonics, hum): (&mut [Harmonic], &mut Estimate),
) {
    let mut all = 0.0;
    for pair in found {
        let own = fit.combined.harmonics[pair.order - 1].power.observed_v2;
        // m is the sum of both heights over the order's.
        let heights: f64 = pair
            .powers(&fit.tones)
            .map(|power| power.observed_v2.sqrt())
            .sum();
        let room = 2.0 * own.sqrt() * heights / (PI * pair.distance_hz * duration_s);
        all += room;
        if let Some(harmonic) = harmonics.get_mut(pair.order - 1) {
            widen_by_power(&mut harmonic.rms, room);
        }
    }
    if all > 0.0 {
        widen_by_power(hum, all);
    }
}

/// The sidebands of all orders of a record of `duration_s`, those of the strongest first; no tone is of two.
pub(super) fn sidebands(fit: &RecordFit, duration_s: f64) -> Vec<Sidebands> {
    let harmonics = &fit.combined.harmonics;
    let mut orders: Vec<usize> = (1..=harmonics.len()).collect();
    let power = |order: usize| harmonics[order - 1].power.observed_v2;
    orders.sort_by(|a, b| power(*b).total_cmp(&power(*a)));
    let mut left: Vec<usize> = (0..fit.tones.len()).collect();
    let mut found = Vec::new();
    // Tracks that prove a modulation hold it themselves.
    orders.retain(|order| !(fit.combined.tracked && harmonics[order - 1].unsteady));
    for order in orders {
        let carrier = Carrier::new(fit, order, duration_s);
        while let Some(pair) = carrier.sidebands_among(&left) {
            left.retain(|tone| !pair.tones.contains(tone));
            found.push(pair);
        }
    }
    found
}

/// An order that may have sidebands.
struct Carrier<'a> {
    order: usize,
    own: &'a CombinedHarmonic,
    frequency_hz: f64,
    deviation_hz: f64,
    /// Least room for places, Hz.
    room_hz: f64,
    reach_hz: f64,
    tones: &'a [ToneFit],
}

impl<'a> Carrier<'a> {
    fn new(fit: &'a RecordFit, order: usize, duration_s: f64) -> Self {
        let series = &fit.combined;
        Self {
            order,
            own: &series.harmonics[order - 1],
            frequency_hz: order as f64 * series.frequency_hz,
            deviation_hz: order as f64 * series.frequency_variance.sqrt(),
            room_hz: PLACE_CELLS / duration_s,
            reach_hz: REACH * series.frequency_hz,
            tones: &fit.tones,
        }
    }

    /// The strongest two of those tones that are its sidebands.
    fn sidebands_among(&self, tones: &[usize]) -> Option<Sidebands> {
        let pairs = tones
            .iter()
            .flat_map(|lower| tones.iter().map(move |upper| [*lower, *upper]));
        let lower = |pair: &Sidebands| {
            pair.powers(self.tones)
                .next()
                .map_or(0.0, |p| p.observed_v2)
        };
        pairs
            .filter_map(|tones| self.mirrored(tones))
            .max_by(|a, b| lower(a).total_cmp(&lower(b)))
    }

    /// Two tones as its sidebands, the lower first.
    fn mirrored(&self, tones: [usize; 2]) -> Option<Sidebands> {
        let [below, above] = tones.map(|tone| &self.tones[tone].combined);
        let [low, high] = [below, above].map(|tone| tone.harmonics.first());
        let (low, high) = (low?, high?);
        let distance_hz = 0.5 * (above.frequency_hz - below.frequency_hz);
        let middle = 0.5 * (above.frequency_hz + below.frequency_hz);
        let variance = 0.25 * (above.frequency_variance + below.frequency_variance);
        let deviation = (variance + self.deviation_hz.powi(2)).sqrt();
        let placed = distance_hz > 0.0
            && distance_hz < self.reach_hz
            && deviation < TOLD * distance_hz
            && (middle - self.frequency_hz).abs() < MISSES * deviation + self.room_hz;
        let (one, other) = (low.amplitude.norm(), high.amplitude.norm());
        let larger = one.max(other);
        let uncertainty = (low.variance + high.variance).sqrt();
        let alike = (one - other).abs() < MISSES * uncertainty + HEIGHT * larger
            && larger < LARGEST * self.own.amplitude.norm();
        (placed && alike && self.is_coherent(low, high)).then_some(Sidebands {
            order: self.order,
            distance_hz,
            tones,
        })
    }

    /// Whether two lines' phases add up to twice its own, or half a turn from that, as far as they are known.
    fn is_coherent(&self, low: &CombinedHarmonic, high: &CombinedHarmonic) -> bool {
        let own = self.own.amplitude;
        let variance = low.phase_variance + high.phase_variance + 4.0 * self.own.phase_variance;
        let room = MISSES * variance.sqrt() + TURN;
        let turn = (low.amplitude * high.amplitude * own.conj() * own.conj()).arg();
        !(room < FRAC_PI_2) || turn.abs() < room || PI - turn.abs() < room
    }
}

/// What is said of hum that comes and goes.
pub(super) fn modulation_warning(fit: &RecordFit) -> Option<Warning> {
    let found = &fit.modulation;
    if found.share < TOLD_SHARE {
        return None;
    }
    let counted = if found.alone {
        "counts as hum"
    } else {
        "stands beside other content: the intervals hold with and without it"
    };
    let message = format!(
        "the hum comes and goes from cycle to cycle, as behind a control that switches whole cycles: what is not steady has {:.2} \
         times the power of what is, and {counted}",
        found.share
    );
    Some(WarningCode::ModulatedHum.warning(message))
}

/// What is said of them.
pub(super) fn sidebands_warning(found: &[Sidebands]) -> Option<Warning> {
    let first = found.first()?;
    let mut orders: Vec<usize> = found.iter().map(|pair| pair.order).collect();
    orders.sort_unstable();
    orders.dedup();
    orders.retain(|order| *order != first.order);
    let orders: Vec<String> = orders.iter().map(usize::to_string).collect();
    let message = format!(
        "the hum is modulated: lines {:.2} Hz either side of order {} are its sidebands and count as hum{}; \
         they are listed as tones as well",
        first.distance_hz,
        first.order,
        if orders.is_empty() {
            String::new()
        } else {
            format!(", as those of order {} do", orders.join(", "))
        }
    );
    Some(WarningCode::ModulatedHum.warning(message))
}

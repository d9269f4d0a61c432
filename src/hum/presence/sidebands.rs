//! A series whose every order stands amid its own sidebands: hum that a control switches on and off by whole cycles.
//!
//! All lines of it are multiples of a part of the fundamental, as another's would be. But each order is the highest of those about it,
//! and those beside it stand as far below as above, alike in height (amplitude modulation; a pulse train's heights fall evenly).

use super::followers::told;
use super::present::Present;
use super::{Evidence, IN_STEP, LineSpectrum, Scene, Witness};
use crate::hum::line_spectrum::Line;

/// Orders looked at, and fewest that have to stand amid sidebands.
const ORDERS: usize = 8;
const LEAST_ORDERS: usize = 2;
/// How far a line may miss its place, cells of 1/T; share of the higher by which two may differ.
const MISSES_CELLS: f64 = 0.5;
const DIFFER: f64 = 0.25;
/// Largest line at the distance itself, as a share of the sidebands so far from the fundamental: what is switched has no offset, a
/// pulse train's first line is as high as its others.
const AT_ZERO: f64 = 0.5;
/// Nearest sidebands, cells of 1/T, and farthest, as a share of the fundamental.
const NEAREST_CELLS: f64 = 2.0;
const FARTHEST: f64 = 0.5;

impl Scene<'_> {
    /// The series that is left where such sidebands are left out.
    pub(super) fn amid_sidebands(&self, spectrum: &LineSpectrum) -> Option<Present> {
        self.nominals_hz.iter().find_map(|&nominal_hz| {
            let (low, high) = ((1.0 - IN_STEP) * nominal_hz, (1.0 + IN_STEP) * nominal_hz);
            let carrier = spectrum.between(low, high).map(|(_, line)| line);
            let carrier = carrier.max_by(|a, b| a.rms.total_cmp(&b.rms))?;
            let modulated = Modulated {
                spectrum,
                fundamental_hz: carrier.hz,
            };
            let distance_hz = modulated.distance_hz()?;
            let rest = spectrum.clone().without(&modulated.sidebands(distance_hz));
            let witness = Witness::new(&rest);
            let (nominal_hz, evidence): (f64, Evidence) = self
                .series_in(&rest, &witness)
                .or_else(|| self.mainly_one(&rest, &witness))?;
            Some(told(nominal_hz, evidence, &rest))
        })
    }
}

struct Modulated<'a> {
    spectrum: &'a LineSpectrum,
    fundamental_hz: f64,
}

impl Modulated<'_> {
    fn cells(&self, cells: f64) -> f64 {
        cells / self.spectrum.duration_s
    }

    /// The highest line at a place.
    fn at(&self, hz: f64) -> Option<&Line> {
        let miss = self.cells(MISSES_CELLS);
        let lines = self.spectrum.between(hz - miss, hz + miss);
        lines
            .map(|(_, line)| line)
            .max_by(|a, b| a.rms.total_cmp(&b.rms))
    }

    /// Whether an order is the highest of three, of which the outer ones are alike.
    fn stands_amid(&self, order: usize, distance_hz: f64) -> bool {
        let place = order as f64 * self.fundamental_hz;
        let three = (
            self.at(place - distance_hz),
            self.at(place),
            self.at(place + distance_hz),
        );
        let (Some(below), Some(own), Some(above)) = three else {
            return false;
        };
        let higher = below.rms.max(above.rms);
        higher <= own.rms && (below.rms - above.rms).abs() < DIFFER * higher
    }

    /// How far the strongest sidebands stand from their orders.
    fn distance_hz(&self) -> Option<f64> {
        let own = self.fundamental_hz;
        let below = self
            .spectrum
            .between((1.0 - FARTHEST) * own, own - self.cells(NEAREST_CELLS));
        let mut distances: Vec<(f64, f64)> = below
            .map(|(_, line)| (own - line.hz, line.rms))
            .filter(|(distance_hz, rms)| {
                let at_zero = self.at(*distance_hz).map_or(0.0, |line| line.rms);
                self.stands_amid(1, *distance_hz) && at_zero < AT_ZERO * rms
            })
            .collect();
        distances.sort_by(|a, b| b.1.total_cmp(&a.1));
        let alike = |distance_hz: &f64| {
            let orders = (1..=ORDERS).filter(|order| self.stands_amid(*order, *distance_hz));
            orders.count() >= LEAST_ORDERS
        };
        distances.into_iter().map(|own| own.0).find(alike)
    }

    /// All lines at multiples of a distance from an order.
    fn sidebands(&self, distance_hz: f64) -> Vec<Line> {
        let lines = self.spectrum.lines.iter();
        let is_sideband = |line: &&Line| {
            let order = (line.hz / self.fundamental_hz).round();
            let off_hz = (line.hz - order * self.fundamental_hz).abs();
            let number = (off_hz / distance_hz).round();
            number >= 1.0 && (off_hz - number * distance_hz).abs() < self.cells(MISSES_CELLS)
        };
        lines.filter(is_sideband).copied().collect()
    }
}

#[cfg(test)]
#[allow(clippy::panic)]
mod tests {
    use super::super::Scene;
    use crate::hum::{Presence, look};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 4000.0;

    fn record(of: impl Fn(f64) -> f64) -> Vec<f64> {
        let noise = StandardNormal.sample_iter(rand_chacha::ChaCha8Rng::seed_from_u64(3));
        (0..16_000)
            .zip(noise)
            .map(|(n, e): (i32, f64)| of(f64::from(n) / RATE_HZ) + 0.02 * e)
            .collect()
    }

    #[test]
    fn hum_switched_by_whole_cycles_is_mains() {
        for (period, on) in [(6.0, 2.0), (9.0, 4.0), (14.0, 5.0)] {
            let samples = record(|t| {
                let turns = 50.13 * t;
                let on = f64::from(u8::from(turns.floor() % period < on));
                on * ((TAU * turns).sin()
                    + 0.4 * (TAU * 3.0 * turns + 1.0).sin()
                    + 0.2 * (TAU * 5.0 * turns).sin())
            });
            let scene = Scene {
                samples: &samples,
                rate_hz: RATE_HZ,
                nominals_hz: &[50.0, 60.0],
            };
            let seen = scene
                .spectrum(None)
                .and_then(|spectrum| scene.amid_sidebands(&spectrum));
            let Some(seen) = seen else {
                panic!("no mains at {on} of {period} cycles");
            };
            assert!(
                (seen.fundamental_hz - 50.13).abs() < 0.01,
                "{}",
                seen.fundamental_hz
            );
        }
    }

    /// Pulses whose every sixth, fourth or third line stands at a grid's place.
    #[test]
    fn a_pulse_train_is_not() {
        for (hz, width) in [
            (8.355, 0.002),
            (8.355, 0.01),
            (12.53, 0.004),
            (16.71, 0.003),
        ] {
            let samples = record(|t| {
                let place = (t * hz).fract() / hz;
                (-(place - 0.02).powi(2) / (2.0 * width * width)).exp()
            });
            let seen = look(&samples, RATE_HZ, &[50.0, 60.0]);
            assert!(!matches!(seen, Presence::Present(_)), "{hz} Hz, {width} s");
        }
    }
}

//! Whether a mains series is in a record, whatever else is in it.
//!
//! A chance of false alarm that holds for any record cannot rest on white noise. The evidence for a fundamental where a grid
//! is has to beat the best among fundamentals where none is (decoys), without its strongest order: one foreign line makes no
//! series. A fundamental alone counts where it stands where a grid is, steadily, and nothing like it stands around.

mod beside_comb;
mod calm;
mod comb;
mod drifting;
mod evidence;
mod followers;
mod periodic;
mod present;
mod short;
mod sidebands;
mod smear;

pub(crate) use followers::{OUTWEIGHS, PROVED};
pub(crate) use present::{Foreign, Presence, Present};

use super::hann_powers::HannPowers;
use super::line_spectrum::{Line, LineSpectrum};
use crate::spectrum::hann;
use calm::calm_weights;
use comb::{is_anothers, sole_step};
use evidence::{Evidence, Witness};
use followers::{shows_noise, told};
use periodic::{OF_GRID, others_series};
use rustfft::num_complex::Complex64;
use short::is_best_described;
use std::f64::consts::TAU;

/// Where no grid is, as shares of the nominal frequency's neighbourhood between 50 and 60 Hz, Hz.
const DECOYS_HZ: [(f64, f64); 3] = [(40.0, 46.0), (53.0, 57.5), (63.0, 69.0)];
/// Range of the evidence that a series needs: at one second, and more with ln T/2 (more places in the range).
const NEEDED: f64 = 12.0;
const NEEDED_REST: f64 = 7.0;
/// Range of a series' fundamental as a share of nominal: of a grid in step with others, and of one that stands alone (EN 50160,
/// 4.2.1, from memory: 1 % and 2 %); the first's edge, cells of 1/T; beyond it, it takes so many
/// orders, odd ones above all, and so many times the rest.
const IN_STEP: f64 = 0.01;
pub(crate) const ALONE_GRID: f64 = 0.02;
const EDGE_CELLS: f64 = 0.2;
const ALONE_GRID_ORDERS: usize = 4;
const ALONE_GRID_REST: f64 = 3.0;
/// How far the rest has to stand above the best decoy's.
const OVER_DECOYS: f64 = 1.25;
/// A fundamental alone: its distance from nominal, Hz and cells of 1/T, its least strength, and how many lines like it may
/// be expected in that range.
const ALONE_HZ: f64 = 0.35;
const ALONE_CELLS: f64 = 0.2;
const ALONE_STRENGTH: f64 = 9.0;
const ALONE_EXPECTED: f64 = 0.02;
/// Least share of the largest third's amplitude that the smallest third of the record has to show.
const STEADY: f64 = 0.6;
/// Share by which two thirds may differ where the line is switched on or off in the other.
const SWITCHED: f64 = 0.1;
/// Cycles below which thirds of a record tell nothing.
const THIRDS_FROM_CYCLES: f64 = 12.0;
/// Strength of lines whose course over thirds is compared, and the cosine of the angle from which two are alike.
const TOLD_IN_THIRDS: f64 = 30.0;
const ALIKE: f64 = 0.93;
/// Cells of a band whose power is compared over thirds, the ratio from which they differ (some thirty degrees of freedom each: one
/// in 10,000 by chance), and the share of the bands that may, beside one.
const BAND_CELLS: f64 = 24.0;
const BANDS_DIFFER: f64 = 4.5;
const BY_CHANCE: f64 = 0.002;
/// Share of the rate up to which it carries a fundamental, and that up to which lines are looked for, where a fundamental does not lie
/// above, and a share beyond that.
const CARRIED: f64 = 0.485;
const LINES_TO: f64 = 0.45;
const BESIDE_HIGHEST: f64 = 1.02;
/// Highest frequency looked at, Hz at a nominal of 60.
const TOP_ORDERS: f64 = 41.0;
/// Orders one of which has to be seen beside another's periodic signal.
const LOW_ORDERS: usize = 3;
/// Cycles below which lines of neighbouring orders are not apart.
pub(crate) const LEAST_CYCLES: f64 = 6.0;

/// Looks for the series of one of `nominals_hz` in evenly spaced, finite samples.
pub(crate) fn look(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> Presence {
    look_at(samples, rate_hz, nominals_hz, None)
}

/// The same where the record's `spectrum` was made before.
pub(crate) fn look_at(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
    spectrum: Option<LineSpectrum>,
) -> Presence {
    let carried = carried(nominals_hz, rate_hz);
    let scene = Scene {
        samples,
        rate_hz,
        nominals_hz: &carried,
    };
    if carried.is_empty() {
        return Presence::Unseen;
    }
    if !scene.tells_orders() {
        return scene.in_few_cycles();
    }
    let spectrum = spectrum.or_else(|| scene.spectrum(None));
    let spectrum = spectrum.as_ref();
    let others = spectrum.map(|spectrum| others_series(spectrum, &carried, OF_GRID));
    let beside_others = || scene.in_spectrum(spectrum?, others.as_deref()?);
    let alone = others.as_ref().is_none_or(Vec::is_empty);
    if let Some(found) = alone.then(beside_others).flatten() {
        return Presence::Present(found);
    }
    let weights = calm_weights(samples, (rate_hz / scene.lowest_hz()).round() as usize);
    let uneven = weights.is_some();
    let calm = weights.and_then(|w| scene.spectrum(Some(&w)));
    let in_calm =
        |calm: &LineSpectrum| scene.in_spectrum(calm, &others_series(calm, &carried, OF_GRID));
    // Short pulses that repeat are best left out; other periodic signals are looked past.
    if let Some(found) = calm.as_ref().and_then(in_calm) {
        return Presence::Present(found);
    }
    if let Some(found) = (!alone).then(beside_others).flatten() {
        return Presence::Present(found);
    }
    let steady = others.unwrap_or_default();
    if let Some(found) = spectrum.and_then(|spectrum| scene.in_parts(spectrum, &steady)) {
        return Presence::Present(found);
    }
    let amid = |spectrum: &LineSpectrum| scene.amid_sidebands(spectrum);
    if let Some(found) = spectrum.filter(|_| !uneven).and_then(amid) {
        return Presence::Present(found);
    }
    Presence::Absent {
        plain: !uneven && spectrum.is_some_and(|spectrum| scene.is_plain(spectrum)),
    }
}

/// The lines of a record in which a look would tell orders apart.
pub(crate) fn spectrum(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> Option<LineSpectrum> {
    let scene = Scene {
        samples,
        rate_hz,
        nominals_hz: &carried(nominals_hz, rate_hz),
    };
    scene.tells_orders().then(|| scene.spectrum(None)).flatten()
}

/// The nominal frequencies that a rate carries.
fn carried(nominals_hz: &[f64], rate_hz: f64) -> Vec<f64> {
    let own = nominals_hz.iter().copied();
    own.filter(|hz| *hz <= CARRIED * rate_hz).collect()
}

struct Scene<'a> {
    samples: &'a [f64],
    rate_hz: f64,
    nominals_hz: &'a [f64],
}

impl Scene<'_> {
    fn lowest_hz(&self) -> f64 {
        self.nominals_hz
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
    }

    fn highest_hz(&self) -> f64 {
        self.nominals_hz.iter().copied().fold(0.0, f64::max)
    }

    /// Whether the record is long enough for orders to be apart, and carries a fundamental.
    fn tells_orders(&self) -> bool {
        let duration_s = self.samples.len() as f64 / self.rate_hz;
        !self.nominals_hz.is_empty() && self.lowest_hz() * duration_s >= LEAST_CYCLES
    }

    /// What a record says whose orders are not apart.
    fn in_few_cycles(&self) -> Presence {
        if is_best_described(self.samples, self.rate_hz, self.nominals_hz) {
            Presence::Unseen
        } else {
            Presence::Absent { plain: false }
        }
    }

    fn spectrum(&self, weights: Option<&[f64]>) -> Option<LineSpectrum> {
        let top_hz = (LINES_TO * self.rate_hz)
            .max(BESIDE_HIGHEST * self.highest_hz())
            .min(TOP_ORDERS * self.highest_hz());
        LineSpectrum::new(self.samples, weights, self.rate_hz, top_hz)
    }

    /// Whether the record shows nothing but noise, the same throughout, and lines at the multiples of a nominal frequency.
    fn is_plain(&self, spectrum: &LineSpectrum) -> bool {
        let mut nominals = self.nominals_hz.iter();
        nominals.any(|&hz| shows_noise(spectrum, hz))
            && self.is_stationary()
            && !self.shows_anothers_comb(spectrum)
    }

    /// Whether the powers of broad bands are much the same in every third of the record: what sweeps is in another at each time.
    fn is_stationary(&self) -> bool {
        let third = self.samples.len() / 3;
        let top_hz = 0.45 * self.rate_hz;
        let bands: Vec<Vec<f64>> = self
            .samples
            .chunks_exact(third.max(1))
            .take(3)
            .filter_map(|part| HannPowers::new(part, None, self.rate_hz, top_hz))
            .map(|own| {
                let cells = 1.0 / (own.bin_hz * own.duration_s);
                let width = (BAND_CELLS * cells).ceil() as usize;
                // The lowest cells are what the line taken off has left of slow content.
                let chunks = own.power[width.min(own.power.len())..].chunks_exact(width);
                chunks.map(|band| band.iter().sum()).collect()
            })
            .collect();
        let [a, b, c] = bands.as_slice() else {
            return true;
        };
        let differ = a
            .iter()
            .zip(b)
            .zip(c)
            .filter(|((a, b), c)| a.max(**b).max(**c) > BANDS_DIFFER * a.min(**b).min(**c))
            .count();
        differ as f64 <= 1.0 + BY_CHANCE * a.len() as f64
    }

    /// One look at the whole record. What belongs to another's periodic signal speaks for no mains: a square wave of 20 Hz has lines
    /// at the first, third and fifth multiple of 60 Hz, and a decoy on it more than any mains.
    fn in_spectrum(&self, spectrum: &LineSpectrum, others: &[Line]) -> Option<Present> {
        let beside = (!others.is_empty()).then(|| spectrum.clone().without(others));
        let looked_at = beside.as_ref().unwrap_or(spectrum);
        let witness = Witness::new(looked_at);
        let found = self
            .series_in(looked_at, &witness)
            .or_else(|| self.mainly_one(looked_at, &witness));
        let of_all_orders = |(_, own): &(f64, Evidence)| sole_step(own, NEEDED_REST) == 1;
        if !found.as_ref().is_some_and(of_all_orders)
            && let Some(beside) = self.beside_comb(looked_at, &witness)
        {
            return Some(beside);
        }
        let (nominal_hz, evidence) = found?;
        // Lines that are folded back from above the spectrum are not known for the other signal's: two of them make no mains.
        if beside.is_some() && !evidence.orders.iter().any(|own| own.order <= LOW_ORDERS) {
            return None;
        }
        let mut found = told(nominal_hz, evidence, spectrum);
        found.doubt(|_, line| others.contains(line));
        Some(found)
    }

    /// The strongest series at a nominal frequency. Evidence is bounded: of two grids that are both there, the mains is the one of
    /// more power.
    fn series_in(&self, spectrum: &LineSpectrum, witness: &Witness<'_>) -> Option<(f64, Evidence)> {
        let needed = NEEDED + 0.5 * spectrum.duration_s.ln();
        let candidates: Vec<(f64, Evidence)> = self
            .nominals_hz
            .iter()
            .map(|&nominal| {
                let within = |reach: f64| {
                    let range = ((1.0 - reach) * nominal, (1.0 + reach) * nominal);
                    witness.best_beside_rivals(range, needed)
                };
                let in_step = within(IN_STEP);
                // A series beyond a range shows at its edge.
                let inside = |found: &Evidence, reach: f64| {
                    let edge_hz = reach * nominal - EDGE_CELLS / spectrum.duration_s;
                    (found.fundamental_hz - nominal).abs() < edge_hz
                };
                if in_step.total > needed && inside(&in_step, IN_STEP) {
                    return (nominal, in_step);
                }
                let alone = within(ALONE_GRID);
                let better = alone.total > in_step.total && inside(&alone, ALONE_GRID);
                (nominal, if better { alone } else { in_step })
            })
            .collect();
        let stands = |(nominal_hz, evidence): &(f64, Evidence), witness: &Witness<'_>| {
            let in_step = (evidence.fundamental_hz / nominal_hz - 1.0).abs() <= IN_STEP;
            let (orders, rest) = if in_step {
                (2, NEEDED_REST)
            } else {
                (ALONE_GRID_ORDERS, ALONE_GRID_REST * NEEDED_REST)
            };
            let low = evidence.orders.first();
            let low = low.is_some_and(|own| own.order <= LOW_ORDERS);
            (in_step || (low && evidence.is_mainly_odd()))
                && evidence.orders.len() >= orders
                && evidence.total > needed
                && !is_anothers(evidence, sole_step(evidence, NEEDED_REST), *nominal_hz)
                && evidence.rest > rest
                && evidence.rest > OVER_DECOYS * best_rest(witness, &DECOYS_HZ, *nominal_hz)
                && (shows_noise(spectrum, evidence.fundamental_hz) || self.runs_together(evidence))
        };
        let (mut found, doubted): (Vec<_>, Vec<_>) =
            candidates.into_iter().partition(|c| stands(c, witness));
        // A second grid's orders are no decoys for the first.
        for (nominal_hz, candidate) in doubted {
            let second: Vec<Line> = found.iter().flat_map(|(_, other)| other.lines()).collect();
            if second.is_empty() || candidate.power() < found.iter().map(|f| f.1.power()).sum() {
                continue;
            }
            let alone = spectrum.clone().without(&second);
            let witness = Witness::new(&alone);
            let own = witness.of(candidate.fundamental_hz);
            if stands(&(nominal_hz, own), &witness) {
                found.push((nominal_hz, candidate));
            }
        }
        // What has orders at multiples of a number alone may be a test tone's.
        let rank = |own: &Evidence| (sole_step(own, NEEDED_REST) == 1, own.power());
        found.into_iter().max_by(|a, b| {
            let ((of_all, power), (other, least)) = (rank(&a.1), rank(&b.1));
            of_all.cmp(&other).then(power.total_cmp(&least))
        })
    }

    /// A fundamental with few orders, or none.
    fn mainly_one(
        &self,
        spectrum: &LineSpectrum,
        witness: &Witness<'_>,
    ) -> Option<(f64, Evidence)> {
        let alone = |&nominal_hz: &f64| {
            let reach = ALONE_HZ * nominal_hz / 50.0 + ALONE_CELLS / spectrum.duration_s;
            let (own, line) = spectrum
                .between(nominal_hz - reach, nominal_hz + reach)
                .max_by(|a, b| a.1.strength.total_cmp(&b.1.strength))?;
            let needed = ALONE_STRENGTH + (1.0 + reach * spectrum.duration_s).ln();
            if !(line.strength > needed && self.is_steady(line, nominal_hz)) {
                return None;
            }
            let expected = witness.expected_by_chance(own, line.hz, 2.0 * reach);
            let evidence = witness.of(line.hz);
            if witness.is_of_finer(&evidence, line) {
                return None;
            }
            // What its orders say beyond what those of decoys do makes up for lines like it nearby.
            let orders = (evidence.rest - best_rest(witness, &DECOYS_HZ, nominal_hz)).max(0.0);
            (expected * (-orders).exp() < ALONE_EXPECTED).then_some((nominal_hz, evidence))
        };
        let found = self.nominals_hz.iter().filter_map(alone);
        found.max_by(|a, b| a.1.power().total_cmp(&b.1.power()))
    }

    /// Whether most strong orders of a series have the same course over the thirds of the record: what sweeps through them
    /// passes each at another time.
    fn runs_together(&self, evidence: &Evidence) -> bool {
        let cycles = evidence.fundamental_hz * self.samples.len() as f64 / self.rate_hz;
        if cycles < THIRDS_FROM_CYCLES {
            return true;
        }
        let strong = evidence.orders.iter().map(|counted| &counted.line);
        let courses: Vec<[f64; 3]> = strong
            .filter(|line| line.strength > TOLD_IN_THIRDS)
            .filter_map(|line| self.in_thirds(line.hz).map(normal))
            .collect();
        let common = normal(courses.iter().fold([0.0; 3], |sum, course| {
            std::array::from_fn(|i| sum[i] + course[i])
        }));
        let like = |course: &&[f64; 3]| {
            let product: f64 = course.iter().zip(common).map(|(a, b)| a * b).sum();
            product > ALIKE
        };
        courses.len() < 2 || 2 * courses.iter().filter(like).count() >= courses.len()
    }

    /// Amplitude of a line in every third of the record.
    fn in_thirds(&self, hz: f64) -> Option<[f64; 3]> {
        let third = self.samples.len() / 3;
        let part = |i: usize| {
            let samples = self.samples.get(i * third..(i + 1) * third)?;
            Some(amplitude(samples, hz / self.rate_hz))
        };
        Some([part(0)?, part(1)?, part(2)?])
    }

    /// Whether a line has much the same amplitude in every third of the record.
    fn is_steady(&self, line: &Line, nominal_hz: f64) -> bool {
        let cycles = nominal_hz * self.samples.len() as f64 / self.rate_hz;
        if cycles < THIRDS_FROM_CYCLES {
            return true;
        }
        let Some([a, b, c]) = self.in_thirds(line.hz) else {
            return true;
        };
        // Noise moves thirds by √(3/strength) of the amplitude.
        let room = 2.0 * (3.0 / line.strength).sqrt();
        let largest = a.max(b).max(c);
        let even = a.min(b).min(c) > (STEADY - room) * largest;
        // Switched on or off: two thirds alike, the other below them.
        let alike = |x: f64, y: f64| (x - y).abs() < (SWITCHED + room) * x.max(y);
        even || (alike(a, b) && c < a.min(b)) || (alike(b, c) && a < b.min(c))
    }
}

/// A vector of length 1.
fn normal(vector: [f64; 3]) -> [f64; 3] {
    let length = vector.iter().map(|x| x * x).sum::<f64>().sqrt();
    vector.map(|x| x / length.max(f64::MIN_POSITIVE))
}

/// The strongest rest among fundamentals that no grid has.
fn best_rest(witness: &Witness<'_>, ranges_hz: &[(f64, f64)], nominal_hz: f64) -> f64 {
    let scale = if (45.0..=65.0).contains(&nominal_hz) {
        1.0
    } else {
        nominal_hz / 50.0
    };
    ranges_hz
        .iter()
        .map(|(low, high)| (low * scale, high * scale))
        .map(|range| witness.best(range, |e| e.rest).rest)
        .fold(0.0, f64::max)
}

/// Amplitude of a Hann-weighted line at ν cycles per sample.
fn amplitude(samples: &[f64], nu: f64) -> f64 {
    let turn = Complex64::cis(-TAU * nu);
    let mut oscillator = Complex64::new(1.0, 0.0);
    let (mut sum, mut total) = (Complex64::default(), 0.0);
    for (x, w) in samples.iter().zip(hann(samples.len())) {
        sum += w * x * oscillator;
        total += w;
        oscillator *= turn;
    }
    2.0 * sum.norm() / total.max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const RATE_HZ: f64 = 2000.0;

    /// Ten seconds of a line whose frequency goes from one to another evenly, in noise.
    fn sweep((from_hz, to_hz): (f64, f64), noise: f64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        (0..20_000)
            .map(|n| {
                let t = f64::from(n) / RATE_HZ;
                let turns = from_hz * t + (to_hz - from_hz) * t * t / 20.0;
                let draw: f64 = StandardNormal.sample(&mut rng);
                (TAU * turns.fract()).cos() + noise * draw
            })
            .collect()
    }

    #[test]
    fn a_sweep_is_no_mains_and_not_plain() {
        let samples = sweep((20.0, 900.0), 0.05);
        let found = look(&samples, RATE_HZ, &[50.0, 60.0]);
        assert_eq!(found, Presence::Absent { plain: false });
    }

    #[test]
    fn noise_is_plain() {
        let found = look(&sweep((0.0, 0.0), 1.0), RATE_HZ, &[50.0, 60.0]);
        assert_eq!(found, Presence::Absent { plain: true });
    }

    #[test]
    fn a_line_without_orders_is_a_generators_where_it_comes_from_nominal() {
        let of = |range| look(&sweep(range, 0.3), RATE_HZ, &[50.0, 60.0]);
        assert!(matches!(of((50.1, 48.9)), Presence::Present(seen) if seen.drifts));
        assert!(matches!(of((48.9, 47.5)), Presence::Absent { .. }));
    }
}

//! Whether a mains series is in a record, whatever else is in it.
//!
//! A chance of false alarm that holds for any record cannot rest on white noise. The evidence for a fundamental where a grid
//! is has to beat the best among fundamentals where none is (decoys), without its strongest order: one foreign line makes no
//! series. A fundamental alone counts where it stands where a grid is, steadily, and nothing like it stands around.

mod calm;
mod evidence;
mod followers;
mod periodic;
mod present;

pub(crate) use followers::{OUTWEIGHS, PROVED};
pub(crate) use present::{Foreign, Presence, Present};

use super::hann_powers::HannPowers;
use super::line_spectrum::{Line, LineSpectrum};
use crate::spectrum::hann;
use calm::calm_weights;
use evidence::{Evidence, Witness};
use followers::{shows_noise, told};
use periodic::{OF_GRID, others_series};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Where no grid is, as shares of the nominal frequency's neighbourhood between 50 and 60 Hz, Hz.
const DECOYS_HZ: [(f64, f64); 3] = [(40.0, 46.0), (53.0, 57.5), (63.0, 69.0)];
/// The same where generators drift.
const WIDE_DECOYS_HZ: [(f64, f64); 2] = [(38.0, 44.5), (63.5, 70.0)];
/// Range of the evidence that a series needs: at one second, and more with ln T/2 (more places in the range).
const NEEDED: f64 = 12.0;
const NEEDED_REST: f64 = 7.0;
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
/// Parts of a record in which a drifting series is looked for: cycles of each, how many at least and at most, and the share
/// that has to show it.
const PART_CYCLES: f64 = 25.0;
const LEAST_PARTS: usize = 4;
const MOST_PARTS: usize = 20;
const MOST_OF: f64 = 0.75;
/// Range of a drifting generator (45 to 55 and 57 to 63 Hz), its largest change from part to part and how near to nominal it has to come once, as
/// shares of nominal.
const DRIFTS: (f64, f64) = (0.1, 0.05);
const DRIFT_STEP: f64 = 0.012;
const NEAR: f64 = 0.015;
/// Cells of a part within which a line is one that stays throughout the record.
const STEADY_CELLS: f64 = 0.5;
/// Strength of a line without orders in each part, and how far around it nothing like it may stand, as shares of the range's ends.
const LONE_STRENGTH: f64 = 40.0;
const AROUND_LONE: (f64, f64) = (0.7, 1.5);
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
    let scene = Scene {
        samples,
        rate_hz,
        nominals_hz,
    };
    if !scene.tells_orders() {
        return Presence::Unseen;
    }
    let spectrum = spectrum.or_else(|| scene.spectrum(None));
    let spectrum = spectrum.as_ref();
    let others = spectrum.map(|spectrum| others_series(spectrum, nominals_hz, OF_GRID));
    let beside_others = || scene.in_spectrum(spectrum?, others.as_deref()?);
    let alone = others.as_ref().is_none_or(Vec::is_empty);
    if let Some(found) = alone.then(beside_others).flatten() {
        return Presence::Present(found);
    }
    let weights = calm_weights(samples, (rate_hz / scene.lowest_hz()).round() as usize);
    let uneven = weights.is_some();
    let calm = weights.and_then(|w| scene.spectrum(Some(&w)));
    let in_calm =
        |calm: &LineSpectrum| scene.in_spectrum(calm, &others_series(calm, nominals_hz, OF_GRID));
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
    Presence::Absent {
        plain: !uneven && spectrum.is_some_and(|spectrum| scene.is_plain(spectrum)),
    }
}

/// The lines of a record in which a look would tell orders apart.
pub(crate) fn spectrum(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> Option<LineSpectrum> {
    let scene = Scene {
        samples,
        rate_hz,
        nominals_hz,
    };
    scene.tells_orders().then(|| scene.spectrum(None)).flatten()
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

    /// Whether the record is long enough for orders to be apart, and carries the fundamental.
    fn tells_orders(&self) -> bool {
        let duration_s = self.samples.len() as f64 / self.rate_hz;
        self.lowest_hz() * duration_s >= LEAST_CYCLES && self.highest_hz() <= 0.4 * self.rate_hz
    }

    fn spectrum(&self, weights: Option<&[f64]>) -> Option<LineSpectrum> {
        let top_hz = (0.45 * self.rate_hz).min(TOP_ORDERS * self.highest_hz());
        LineSpectrum::new(self.samples, weights, self.rate_hz, top_hz)
    }

    /// Whether the record shows nothing but noise, the same throughout, and lines at the multiples of a nominal frequency.
    fn is_plain(&self, spectrum: &LineSpectrum) -> bool {
        let mut nominals = self.nominals_hz.iter();
        nominals.any(|&hz| shows_noise(spectrum, hz)) && self.is_stationary()
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
        let (nominal_hz, evidence) = self
            .series_in(looked_at, &witness)
            .or_else(|| self.mainly_one(looked_at, &witness))?;
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
                let range = (0.99 * nominal, 1.01 * nominal);
                (nominal, witness.best_beside_rivals(range, needed))
            })
            .collect();
        let stands = |(nominal_hz, evidence): &(f64, Evidence), witness: &Witness<'_>| {
            evidence.orders.len() >= 2
                && evidence.total > needed
                && evidence.rest > NEEDED_REST
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
        found
            .into_iter()
            .max_by(|a, b| a.1.power().total_cmp(&b.1.power()))
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

    /// A generator's plain series that drifts: seen in most of the record's parts, from part to part not far off, and near
    /// nominal in one of them. `steady`: lines of another's periodic signal in the whole record.
    fn in_parts(&self, whole: &LineSpectrum, steady: &[Line]) -> Option<Present> {
        self.nominals_hz.iter().find_map(|&nominal_hz| {
            let rate_hz = self.rate_hz;
            let cycles = nominal_hz * self.samples.len() as f64 / rate_hz;
            let parts = ((cycles / PART_CYCLES) as usize).min(MOST_PARTS);
            if parts < LEAST_PARTS {
                return None;
            }
            let length = self.samples.len() / parts;
            let reach = if nominal_hz > 55.0 {
                DRIFTS.1
            } else {
                DRIFTS.0
            };
            let range = ((1.0 - reach) * nominal_hz, (1.0 + reach) * nominal_hz);
            let mut alone = false;
            let places: Vec<f64> = self
                .samples
                .chunks_exact(length)
                .take(parts)
                .filter_map(|part| {
                    let top_hz = (0.45 * rate_hz).min(TOP_ORDERS * nominal_hz);
                    let spectrum = LineSpectrum::new(part, None, rate_hz, top_hz)?;
                    let mut others = others_series(&spectrum, &[nominal_hz], reach);
                    let is_steady = |line: &&Line| {
                        let same = |other: &Line| {
                            (other.hz - line.hz).abs() * spectrum.duration_s < STEADY_CELLS
                                && other.rms > STEADY * line.rms
                        };
                        steady.iter().any(same)
                    };
                    others.extend(spectrum.lines.iter().filter(is_steady));
                    let spectrum = spectrum.without(&others);
                    let witness = Witness::new(&spectrum);
                    let found = witness.best_beside_rivals(range, NEEDED);
                    let stands = found.orders.len() >= 2
                        && found.total > NEEDED
                        && found.rest > NEEDED_REST
                        && found.rest
                            > OVER_DECOYS * best_rest(&witness, &WIDE_DECOYS_HZ, nominal_hz);
                    alone |= !stands;
                    if stands {
                        Some(found.fundamental_hz)
                    } else {
                        lone_line(&spectrum, range)
                    }
                })
                .collect();
            let step_hz = DRIFT_STEP * nominal_hz;
            let steady = places.windows(2).all(|w| (w[1] - w[0]).abs() < step_hz);
            // A line without orders is known by its place alone.
            let reach = if alone { ALONE_HZ / 50.0 } else { NEAR };
            let near = |f: &f64| (f / nominal_hz - 1.0).abs() < reach;
            if !steady
                || places.len() < (MOST_OF * parts as f64).ceil() as usize
                || !places.iter().any(near)
            {
                return None;
            }
            let mean = places.iter().sum::<f64>() / places.len() as f64;
            let spread =
                places.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / places.len() as f64;
            let mut found = told(
                nominal_hz,
                Evidence {
                    fundamental_hz: mean,
                    ..Evidence::default()
                },
                whole,
            );
            found.fundamental_hz = mean;
            found.uncertainty_hz = spread.sqrt();
            found.foreign.clear();
            found.plain = false;
            found.drifts = true;
            Some(found)
        })
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

/// The place of a strong line in a range, where nothing of a fourth of its strength stands around it.
fn lone_line(spectrum: &LineSpectrum, (low_hz, high_hz): (f64, f64)) -> Option<f64> {
    let (own, line) = spectrum
        .between(low_hz, high_hz)
        .max_by(|a, b| a.1.strength.total_cmp(&b.1.strength))?;
    let mut around = spectrum.between(AROUND_LONE.0 * low_hz, AROUND_LONE.1 * high_hz);
    let stands = line.strength > LONE_STRENGTH
        && around.all(|(i, other)| i == own || 4.0 * other.strength < line.strength);
    stands.then_some(line.hz)
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

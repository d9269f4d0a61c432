//! A template laid on a record of a few cycles by its shape in time.
//!
//! Over so few cycles a step or a pulse spoils every order's amplitude. In the differences of neighbouring samples it is one
//! value that stands out of the rest: there gain, shift and frequency are found by a bounded loss (P. J. Huber, Ann. Math.
//! Stat. 35, 1964, from memory), and then fitted to the samples themselves with a level of its own from step to step.

use super::series::Template;
use crate::numeric::Cholesky;
use crate::separation::fit::HumModel;
use crate::separation::left_power::LeftPower;
use crate::separation::samples::Centred;
use crate::stats::normal_scale;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::ops::Range;

/// Means of neighbouring samples that the record is brought down to, at most, and means in a cycle of the highest order.
const MOST_MEANS: usize = 4096;
const MEANS_A_CYCLE: f64 = 12.0;
/// Fewest means that are fitted, and share of all of them.
const FEWEST_MEANS: usize = 24;
const LEAST_SHARE: f64 = 0.5;
/// Shifts tried in a cycle of the highest order, and the best that are refined.
const SHIFTS: f64 = 24.0;
const REFINED: usize = 6;
const ROUNDS: usize = 12;
/// Deviations at which a difference's say is bounded, and beyond which it is a break of the level.
const BOUNDED: f64 = 3.0;
const BREAK: f64 = 6.0;
/// Fewest means between two breaks that are fitted.
const SHORTEST: usize = 6;
/// Standard deviation of a grid's frequency about that of another time (common practice, no source), Hz per Hz.
const GRID_SPREAD: f64 = 0.002;
/// Gain over its standard uncertainty from which the template is taken to be there.
const THERE: f64 = 6.0;
/// Parameters of the fit: gain, shift, frequency, and the slope of the record.
const PARAMETERS: usize = 4;

/// A template on a record.
pub(super) struct Laid {
    pub(super) model: HumModel,
    pub(super) gain: f64,
    pub(super) shift_cycles: f64,
    /// Gain over its standard uncertainty.
    pub(super) strength: f64,
    pub(super) left: LeftPower,
    /// Breaks of the record's level.
    pub(super) breaks: usize,
}

/// Gain, shift in cycles and cycles per sample.
#[derive(Clone, Copy)]
struct Place {
    gain: f64,
    shift: f64,
    turn: f64,
}

/// Lays a template on a record whose mains turns by about `turn` cycles a sample; `None` where it does not show.
pub(super) fn lay(template: &Template, centred: &Centred, turn: f64) -> Option<Laid> {
    let means = Means::new(template, centred, turn)?;
    let place = means.search(turn)?;
    let fitted = means.fit_levels(place, turn)?;
    let place = fitted.place;
    let constants = template
        .amplitudes
        .iter()
        .map(|a| a * place.gain)
        .collect::<Vec<_>>();
    let samples = centred.values.len();
    let mut left = fitted.left;
    for variance in &template.variances {
        left.add(0.5 * place.gain.powi(2) * variance, 2.0, f64::INFINITY);
    }
    Some(Laid {
        model: HumModel {
            edges: vec![0, samples],
            phase: vec![place.shift, place.shift + place.turn * samples as f64],
            piece: vec![0],
            orders: template.orders.clone(),
            constants: vec![constants],
            gain: vec![1.0; 2],
            deviations: vec![Vec::new(); template.orders.len()],
        },
        gain: place.gain,
        shift_cycles: place.shift.rem_euclid(1.0),
        strength: fitted.strength,
        left,
        breaks: fitted.breaks,
    })
}

/// Means of a record's samples, and the waveform whose means they are compared with.
struct Means {
    /// By mean; `None` where a sample is missing.
    values: Vec<Option<f64>>,
    /// Samples in a mean.
    width: usize,
    orders: Vec<f64>,
    amplitudes: Vec<Complex64>,
}

/// Means from break to break, how many breaks there are (two where a step lies within a mean), and the standard deviation of the
/// differences between means.
struct Runs {
    runs: Vec<Range<usize>>,
    breaks: usize,
    scale: f64,
}

/// Gain and the rest as fitted to the samples.
struct Fitted {
    place: Place,
    strength: f64,
    left: LeftPower,
    breaks: usize,
}

impl Means {
    fn new(template: &Template, centred: &Centred, turn: f64) -> Option<Self> {
        let highest = *template.orders.iter().max()? as f64;
        let samples = centred.values.len();
        let width = ((1.0 / (MEANS_A_CYCLE * highest * turn)) as usize)
            .max(1)
            .max(samples.div_ceil(MOST_MEANS));
        let means = |(b, part): (usize, &[f64])| {
            let there = (b * width..b * width + part.len()).all(|i| centred.has(i));
            there.then(|| part.iter().sum::<f64>() / width as f64)
        };
        let values: Vec<Option<f64>> = centred
            .values
            .chunks_exact(width)
            .enumerate()
            .map(means)
            .collect();
        // What a mean leaves of an order (Dirichlet's kernel).
        let amplitudes = template
            .orders
            .iter()
            .zip(&template.amplitudes)
            .map(|(k, a)| {
                let half = PI * *k as f64 * turn;
                a * ((half * width as f64).sin() / (width as f64 * half.sin()))
            });
        (values.len() >= FEWEST_MEANS && highest * turn * width as f64 * 2.0 < 1.0).then(|| Self {
            width,
            orders: template.orders.iter().map(|k| *k as f64).collect(),
            amplitudes: amplitudes.collect(),
            values,
        })
    }

    /// Place of a mean's middle, samples.
    fn at(&self, b: usize) -> f64 {
        (b * self.width) as f64 + 0.5 * (self.width as f64 - 1.0)
    }

    /// The waveform at a phase, and its slope a cycle.
    fn wave(&self, cycles: f64) -> (f64, f64) {
        let (mut value, mut slope) = (0.0, 0.0);
        for (k, a) in self.orders.iter().zip(&self.amplitudes) {
            let turned = a * Complex64::from_polar(1.0, 2.0 * PI * k * cycles);
            value += turned.re;
            slope -= 2.0 * PI * k * turned.im;
        }
        (value, slope)
    }

    /// Differences of neighbouring means and their indices.
    fn differences(&self) -> Vec<(usize, f64)> {
        let pairs = self.values.windows(2).enumerate();
        pairs
            .filter_map(|(b, pair)| Some((b, pair[1]? - pair[0]?)))
            .collect()
    }

    /// Gain, shift and frequency on which most differences agree.
    fn search(&self, turn: f64) -> Option<Place> {
        let differences = self.differences();
        let scale = scale_of(differences.iter().map(|d| d.1))?;
        let highest = self.orders.iter().copied().fold(1.0, f64::max);
        let count = (SHIFTS * highest).ceil() as usize;
        let table = self.table(turn, (4.0 * SHIFTS * highest) as usize);
        let tried: Vec<(f64, Place)> = (0..count)
            .map(|i| {
                let shift = i as f64 / count as f64;
                let at = |b: usize| {
                    let cycles = shift + turn * self.at(b);
                    table[((cycles.rem_euclid(1.0)) * table.len() as f64) as usize % table.len()]
                };
                let (along, length) = differences.iter().fold((0.0, 0.0), |(a, l), (b, d)| {
                    let wave = at(*b);
                    let bounded = d.clamp(-BOUNDED * scale, BOUNDED * scale);
                    (a + wave * bounded, l + wave * wave)
                });
                let gain = if length > 0.0 { along / length } else { 0.0 };
                let loss = differences
                    .iter()
                    .map(|(b, d)| loss((d - gain * at(*b)) / scale));
                (loss.sum(), Place { gain, shift, turn })
            })
            .collect();
        let mut best: Vec<&(f64, Place)> = (0..count)
            .map(|i| [(i + count - 1) % count, i, (i + 1) % count].map(|j| &tried[j]))
            .filter(|[before, here, after]| {
                here.1.gain > 0.0 && here.0 <= before.0 && here.0 <= after.0
            })
            .map(|[_, here, _]| here)
            .collect();
        best.sort_by(|a, b| a.0.total_cmp(&b.0));
        best.into_iter()
            .take(REFINED)
            .map(|(_, place)| self.refine(*place, turn, &differences, scale))
            .filter(|(_, place)| place.gain > 0.0)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, place)| place)
    }

    /// The waveform's difference from one mean to the next, over a cycle.
    fn table(&self, turn: f64, size: usize) -> Vec<f64> {
        let step = turn * self.width as f64;
        let size = size.max(1);
        (0..size)
            .map(|i| (i as f64 + 0.5) / size as f64)
            .map(|cycles| self.wave(cycles + step).0 - self.wave(cycles).0)
            .collect()
    }

    /// Reweighted Gauss-Newton steps on the differences; the loss at last.
    fn refine(
        &self,
        mut place: Place,
        turn: f64,
        differences: &[(usize, f64)],
        scale: f64,
    ) -> (f64, Place) {
        let mut last = f64::INFINITY;
        let mut own = scale;
        for _ in 0..ROUNDS {
            let mut normal = Normal::new(place, turn, own * own);
            let mut sizes = Vec::with_capacity(differences.len());
            last = 0.0;
            for (b, d) in differences {
                let (from, to) = (self.columns(place, *b), self.columns(place, b + 1));
                let rest = d - (to.0 - from.0);
                let row: [f64; PARAMETERS] = std::array::from_fn(|p| to.1[p] - from.1[p]);
                sizes.push(rest.abs());
                last += loss(rest / scale);
                normal.add(
                    &row,
                    rest,
                    1.0 / (1.0 + (rest / (BOUNDED * own)).powi(2)).powi(2),
                );
            }
            own = normal_scale(&mut sizes).max(1e-9 * scale);
            let Some(step) = normal.solve() else {
                break;
            };
            place = self.moved(place, &step.0);
        }
        (last, place)
    }

    /// The waveform at a mean, and its change with gain, shift, frequency and slope.
    fn columns(&self, place: Place, b: usize) -> (f64, [f64; PARAMETERS]) {
        let at = self.at(b);
        let (value, slope) = self.wave(place.shift + place.turn * at);
        let across = place.gain * slope;
        (place.gain * value, [value, across, across * at, at])
    }

    fn moved(&self, place: Place, step: &[f64; PARAMETERS]) -> Place {
        let highest = self.orders.iter().copied().fold(1.0, f64::max);
        let most = 0.1 / highest;
        Place {
            gain: place.gain + step[0],
            shift: place.shift + step[1].clamp(-most, most),
            turn: place.turn + step[2],
        }
    }

    /// Fits the samples themselves with a level of its own from break to break.
    fn fit_levels(&self, mut place: Place, turn: f64) -> Option<Fitted> {
        let Runs {
            runs,
            breaks,
            scale,
        } = self.runs(place)?;
        let count: usize = runs.iter().map(Range::len).sum();
        if count < FEWEST_MEANS || (count as f64) < LEAST_SHARE * self.values.len() as f64 {
            return None;
        }
        let free = count
            .checked_sub(runs.len() + PARAMETERS)
            .filter(|f| *f > 0)? as f64;
        // A difference has twice the variance.
        let mut variance = 0.5 * scale * scale;
        let mut gain_variance = 0.0;
        for round in 0..ROUNDS {
            let mut normal = Normal::new(place, turn, variance);
            let mut squares = 0.0;
            for run in &runs {
                let rows: Vec<(f64, [f64; PARAMETERS])> = run
                    .clone()
                    .map(|b| {
                        let (value, row) = self.columns(place, b);
                        (self.values[b].unwrap_or(value) - value, row)
                    })
                    .collect();
                let length = rows.len() as f64;
                let level = rows.iter().map(|r| r.0).sum::<f64>() / length;
                let means: [f64; PARAMETERS] =
                    std::array::from_fn(|p| rows.iter().map(|r| r.1[p]).sum::<f64>() / length);
                for (rest, row) in &rows {
                    let row: [f64; PARAMETERS] = std::array::from_fn(|p| row[p] - means[p]);
                    squares += (rest - level).powi(2);
                    normal.add(&row, rest - level, 1.0);
                }
            }
            let (step, inverse, explained) = normal.solve()?;
            variance = (squares - explained).max(0.0) / free;
            gain_variance = variance * inverse;
            if round + 1 < ROUNDS {
                place = self.moved(place, &step);
            }
        }
        let strength = place.gain / gain_variance.max(f64::MIN_POSITIVE).sqrt();
        let sound = place.gain.is_finite() && place.shift.is_finite() && place.turn > 0.0;
        let mut left = LeftPower::default();
        // Gain, shift and frequency.
        left.add(3.0 * variance / count as f64, 3.0, free);
        (strength > THERE && sound).then_some(Fitted {
            place,
            strength,
            left,
            breaks,
        })
    }

    /// Runs of means without a break.
    fn runs(&self, place: Place) -> Option<Runs> {
        let rest: Vec<Option<f64>> = (0..self.values.len())
            .map(|b| Some(self.values[b]? - self.columns(place, b).0))
            .collect();
        let step = |b: usize| Some(rest[b + 1]? - rest[b]?);
        let scale = scale_of((0..rest.len() - 1).filter_map(step))?;
        let broken = |b: usize| step(b).is_none_or(|d| d.abs() > BREAK * scale);
        let mut runs = Vec::new();
        let (mut from, mut breaks) = (0, 0);
        for b in 0..rest.len() {
            if b + 1 == rest.len() || broken(b) {
                if b + 1 - from >= SHORTEST {
                    runs.push(from..b + 1);
                }
                breaks += usize::from(b + 1 < rest.len() && rest[b].is_some());
                from = b + 1;
            }
        }
        Some(Runs {
            runs,
            breaks,
            scale,
        })
    }
}

/// Bounded square.
fn loss(deviations: f64) -> f64 {
    (deviations * deviations).min(BOUNDED * BOUNDED)
}

/// Standard deviation by the median; `None` where it is zero.
fn scale_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sizes: Vec<f64> = values.map(f64::abs).collect();
    if sizes.is_empty() {
        return None;
    }
    let scale = normal_scale(&mut sizes);
    (scale > 0.0 && scale.is_finite()).then_some(scale)
}

/// Normal equations of a step, the frequency held near its expected value.
struct Normal {
    matrix: [[f64; PARAMETERS]; PARAMETERS],
    right: [f64; PARAMETERS],
}

impl Normal {
    fn new(place: Place, turn: f64, variance: f64) -> Self {
        let mut normal = Self {
            matrix: [[0.0; PARAMETERS]; PARAMETERS],
            right: [0.0; PARAMETERS],
        };
        let held = variance / (GRID_SPREAD * turn).powi(2);
        normal.matrix[2][2] = held;
        normal.right[2] = held * (turn - place.turn);
        normal
    }

    fn add(&mut self, row: &[f64; PARAMETERS], rest: f64, weight: f64) {
        for p in 0..PARAMETERS {
            self.right[p] += weight * row[p] * rest;
            for q in 0..PARAMETERS {
                self.matrix[p][q] += weight * row[p] * row[q];
            }
        }
    }

    /// The step, the gain's own element of the inverse, and the squares that the step explains.
    fn solve(&self) -> Option<([f64; PARAMETERS], f64, f64)> {
        // Each parameter in units of its own.
        let units: [f64; PARAMETERS] =
            std::array::from_fn(|p| self.matrix[p][p].sqrt().max(f64::MIN_POSITIVE));
        let flat = (0..PARAMETERS * PARAMETERS)
            .map(|i| (i / PARAMETERS, i % PARAMETERS))
            .map(|(p, q)| self.matrix[p][q] / (units[p] * units[q]))
            .collect();
        let factor = Cholesky::new(PARAMETERS, flat)?;
        let mut step: [f64; PARAMETERS] = std::array::from_fn(|p| self.right[p] / units[p]);
        factor.solve(&mut step);
        let mut own = [0.0; PARAMETERS];
        own[0] = 1.0;
        factor.solve(&mut own);
        for (s, unit) in step.iter_mut().zip(&units) {
            *s /= unit;
        }
        let explained = step.iter().zip(&self.right).map(|(s, r)| s * r).sum();
        Some((step, own[0] / (units[0] * units[0]), explained))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separation::options::HarmonicOptions;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// One and a half cycles of six orders with a step of twice the hum: gain and shift to five of their deviations.
    #[test]
    fn a_step_does_not_move_the_template() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let wave = |cycles: f64| -> f64 {
            (1..=6)
                .map(|k| (2.0 * PI * f64::from(k) * cycles + f64::from(k * k)).cos() / f64::from(k))
                .sum()
        };
        let mut made = |count: usize, f: &dyn Fn(f64) -> f64| -> Vec<f64> {
            (0..count)
                .map(|i| {
                    let drawn: f64 = StandardNormal.sample(&mut rng);
                    f(i as f64) + 0.02 * drawn
                })
                .collect()
        };
        let capture = made(20_000, &|i| wave(0.005 * i));
        let record = made(300, &|i| {
            0.8 * wave(0.3 + 0.00501 * i) + if i > 130.0 { 2.0 } else { 0.0 }
        });
        let template = Template::new(&capture, 10_000.0, &HarmonicOptions::default()).unwrap();
        let laid = lay(&template, &Centred::new(&record), 0.005).unwrap();
        // 300 samples of 0.02: a standard uncertainty of the gain of 0.0015 or so, of the frequency 4e-6 cycles a sample.
        assert!((laid.gain - 0.8).abs() < 0.008, "{}", laid.gain);
        let turn = (laid.model.phase[1] - laid.model.phase[0]) / 300.0;
        assert!((turn - 0.00501).abs() < 2e-5, "{turn}");
        // The step lies within a mean of two samples.
        assert_eq!(laid.breaks, 2);
    }

    #[test]
    fn noise_bears_no_template() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let capture: Vec<f64> = (0..20_000)
            .map(|i| (2.0 * PI * 0.005 * f64::from(i)).cos())
            .collect();
        let template = Template::new(&capture, 10_000.0, &HarmonicOptions::default()).unwrap();
        let found = (0..20)
            .filter(|_| {
                let noise: Vec<f64> = (0..300).map(|_| StandardNormal.sample(&mut rng)).collect();
                lay(&template, &Centred::new(&noise), 0.005).is_some()
            })
            .count();
        // Six deviations of the gain, the best of some shifts.
        assert_eq!(found, 0);
    }
}

//! Whether the record begins with a settling, and how fast it is.

use super::model::{GAIN, Model, PHASE, SLOW, Settling};
use super::record::Record;
use super::rings::rings;
use super::solve::{Levels, Looseness, Normal, converge, moved, slow_ladder, solve};
use crate::stats::median;
use rustfft::num_complex::Complex64;

/// Time constants tried, and the record's length over the shortest of them at most.
const TRIALS: usize = 14;
const LONGEST_OVER_SHORTEST: f64 = 3000.0;
/// Log evidence that a settling must gain over slow content alone.
const GAIN_NEEDED: f64 = 4.0;
/// Squares, in units of the noise, that a settling must take off to be looked at closer.
const LEAST_SHAPE: f64 = 9.0;
/// Tracks that a first look holds.
pub(super) const FROZEN: [usize; 2] = [PHASE, GAIN];

/// A record whose slow content is sought.
struct Seeking<'a> {
    record: &'a Record,
    range: f64,
    /// Tracks that are held.
    frozen: &'a [usize],
    /// Time constants tried, s.
    trials: Vec<f64>,
}

/// Fits slow content and steady orders with the `frozen` tracks held, with an exponential where the evidence is for one. Returns
/// the level of the noise between orders.
pub(super) fn fit_slow(
    record: &Record,
    model: &mut Model,
    range: f64,
    frozen: &[usize],
) -> Option<f64> {
    model.settling = None;
    model.tracks[SLOW].fill(0.0);
    model.amplitudes.fill(Complex64::default());
    let shortest = (3.0 * record.step_s).max(record.duration_s / LONGEST_OVER_SHORTEST);
    let seeking = Seeking {
        record,
        range,
        frozen,
        trials: (0..TRIALS)
            .map(|i| {
                let share = i as f64 / (TRIALS - 1) as f64;
                shortest * (record.duration_s / shortest).powf(share)
            })
            .collect(),
    };
    let (found, level) = seeking.models(model)?;
    let level = found
        .iter()
        .map(|m| noise_between(record, m))
        .fold(level, f64::min);
    *model = seeking.likeliest(found, level)?;
    Some(level)
}

/// Noise of one level under everything.
fn flat(model: &Model, level: f64) -> Levels {
    Levels {
        slow: level,
        orders: vec![level; model.orders.len()],
        tones: vec![level; model.tones.len()],
    }
}

impl Seeking<'_> {
    /// The model without a settling and those with one, and the noise's level beside the first.
    fn models(&self, model: &Model) -> Option<(Vec<Model>, f64)> {
        let (record, frozen) = (self.record, self.frozen);
        let loose = [10.0 * self.range, 0.0, 0.0];
        let plain_columns: Vec<usize> = (0..model.border()).collect();
        let normal = Normal::new(record, model, &flat(model, 1.0), &self.trials);
        let solved = solve(&normal.with_border(&plain_columns), model, &loose, &FROZEN)?;
        let mut plain = moved(model, &solved.change, 1.0);
        let level = noise_between(record, &plain);
        if frozen != FROZEN {
            converge(record, &mut plain, &flat(model, level), &loose, frozen, 4)?;
        }
        let level = noise_between(record, &plain);
        let mut found = vec![plain];
        // Beside slow content that does not move, and beside some that may: the time constant that takes most off.
        for looseness in [Looseness::default(), loose] {
            let best = self
                .trials
                .iter()
                .enumerate()
                .filter_map(|(i, &time_constant_s)| {
                    let mut columns = plain_columns.clone();
                    columns.push(plain_columns.len() + i);
                    let solved = solve(&normal.with_border(&columns), model, &looseness, &FROZEN)?;
                    Some((solved.decrement, time_constant_s, solved.change))
                })
                .max_by(|a, b| a.0.total_cmp(&b.0));
            let Some((decrement, time_constant_s, change)) = best else {
                continue;
            };
            // What the shape takes off the squares, in units of the noise left without it.
            let needed = if looseness == loose {
                LEAST_SHAPE
            } else {
                -LEAST_SHAPE
            };
            if decrement - solved.decrement < needed * level {
                continue;
            }
            let mut settled = moved(model, &change, 1.0);
            settled.settling = Some(Settling {
                amplitude: change.last().copied().unwrap_or(0.0),
                time_constant_s,
            });
            let levels = flat(model, level);
            let mut settle = |held: &[usize], most| {
                converge(record, &mut settled, &levels, &looseness, held, most)
            };
            if settle(&FROZEN, 5).is_some() && settle(frozen, 6).is_some() {
                found.push(settled);
            }
        }
        Some((found, level))
    }

    /// The model that the evidence is for, in noise of this level.
    fn likeliest(&self, mut found: Vec<Model>, level: f64) -> Option<Model> {
        let record = self.record;
        if found.len() == 1 {
            return found.pop();
        }
        // Hum that moves is misfit as yet: a settling has to stand out of that too.
        let misfit = found
            .iter()
            .map(|m| squares(record, m) / record.samples.len() as f64)
            .fold(f64::INFINITY, f64::min);
        let weighed = found.into_iter().filter_map(|m| {
            let price = if m.settling.is_some() {
                self.range.ln() + GAIN_NEEDED
            } else {
                0.0
            };
            Some((self.evidence(&m, level.max(misfit))? - price, m))
        });
        Some(weighed.max_by(|a, b| a.0.total_cmp(&b.0))?.1)
    }

    /// Best log evidence over the looseness of the slow content.
    fn evidence(&self, model: &Model, level: f64) -> Option<f64> {
        let normal = Normal::new(self.record, model, &flat(model, level), &[]);
        let knots = model.mesh.intervals as f64 / self.record.samples.len() as f64;
        slow_ladder((level * knots).sqrt(), self.range)
            .iter()
            .filter_map(|rung| {
                let looseness = [rung.looseness, 0.0, 0.0];
                Some(solve(&normal, model, &looseness, self.frozen)?.log_evidence)
            })
            .max_by(f64::total_cmp)
            .map(|best| best - 0.5 * normal.squares / level)
    }
}

fn squares(record: &Record, model: &Model) -> f64 {
    let residual = model.residual(record);
    let trusted = residual.iter().zip(&record.trust);
    trusted.map(|(r, trust)| trust * r * r).sum()
}

/// Level of the residual between the low orders, where neither hum that moves nor slow content reaches.
fn noise_between(record: &Record, model: &Model) -> f64 {
    let residual = model.residual(record);
    let highest = model.orders.iter().copied().max().unwrap_or(1).min(6);
    let halves: Vec<usize> = (0..highest).map(|k| 2 * k + 1).collect();
    let mut levels: Vec<f64> = rings(record, model, &residual, &halves)
        .iter()
        .filter(|ring| !ring.blocks.is_empty())
        .map(|ring| ring.level(0.0).variance)
        .collect();
    let level = if levels.is_empty() {
        let squares: f64 = residual.iter().map(|r| r * r).sum();
        squares / residual.len().max(1) as f64
    } else {
        median(&mut levels)
    };
    let scale = record.samples.iter().map(|x| x * x).sum::<f64>() / record.samples.len() as f64;
    level.max(1e-24 * scale).max(f64::MIN_POSITIVE)
}

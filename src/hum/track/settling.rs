//! Whether the record begins with a settling, and how fast it is.

use super::beside::rings;
use super::model::{Model, Settling};
use super::record::Record;
use super::solve::{
    Border, GAIN, Levels, Looseness, Normal, PHASE, converge, moved, slow_ladder, solve,
};
use crate::stats::median;
use rustfft::num_complex::Complex64;

/// Time constants tried.
const TRIALS: usize = 14;
/// Log evidence that a settling must gain over slow content alone.
const GAIN_NEEDED: f64 = 4.0;
/// Squares, in units of the noise, that a settling must take off to be looked at closer.
const LEAST_SHAPE: f64 = 9.0;
/// Tracks that a first look holds.
pub(super) const FROZEN: [usize; 2] = [PHASE, GAIN];

/// Fits slow content and steady orders with the `frozen` tracks held, with an exponential where the evidence is for one. Returns
/// the level of the noise between orders.
pub(super) fn fit_slow(
    record: &Record,
    model: &mut Model,
    range: f64,
    frozen: &[usize],
) -> Option<f64> {
    model.settling = None;
    model.slow.fill(0.0);
    model.amplitudes.fill(Complex64::default());
    let (orders, tones) = (model.orders.len(), model.tones.len());
    let flat = |level: f64| Levels {
        slow: level,
        orders: vec![level; orders],
        tones: vec![level; tones],
    };
    let unit = flat(1.0);
    let loose = Looseness {
        slow: 10.0 * range,
        ..Looseness::default()
    };
    let plain_columns = Border::of(model).len();
    let shortest = (3.0 * record.step_s).max(record.duration_s / 3000.0);
    let trials: Vec<f64> = (0..TRIALS)
        .map(|i| {
            let share = i as f64 / (TRIALS - 1) as f64;
            shortest * (record.duration_s / shortest).powf(share)
        })
        .collect();
    let normal = Normal::new(record, model, &unit, &trials);
    let plain_normal = normal.with_border(&(0..plain_columns).collect::<Vec<_>>());
    let solved = solve(&plain_normal, model, &loose, &FROZEN)?;
    let mut plain = moved(model, &solved.change, 1.0);
    let level = noise_between(record, &plain);
    if frozen != FROZEN {
        converge(record, &mut plain, &flat(level), &loose, frozen, 4)?;
    }
    let level = noise_between(record, &plain);
    let mut found = vec![plain.clone()];
    // Beside slow content that does not move, and beside some that may: the time constant that takes most off.
    for looseness in [Looseness::default(), loose] {
        let best = trials
            .iter()
            .enumerate()
            .filter_map(|(i, &time_constant_s)| {
                let mut columns: Vec<usize> = (0..plain_columns).collect();
                columns.push(plain_columns + i);
                let solved = solve(&normal.with_border(&columns), model, &looseness, &FROZEN)?;
                Some((solved.decrement, time_constant_s, solved.change))
            });
        let Some((decrement, time_constant_s, change)) = best.max_by(|a, b| a.0.total_cmp(&b.0))
        else {
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
        let amplitude = change.last().copied().unwrap_or(0.0);
        let mut settled = moved(model, &change, 1.0);
        settled.settling = Some(Settling {
            amplitude,
            time_constant_s,
        });
        let levels = flat(level);
        let mut settle =
            |held: &[usize], most| converge(record, &mut settled, &levels, &looseness, held, most);
        if settle(&FROZEN, 5).is_some() && settle(frozen, 6).is_some() {
            found.push(settled);
        }
    }
    let level = found
        .iter()
        .map(|m| noise_between(record, m))
        .fold(level, f64::min);
    if found.len() > 1 {
        // Hum that moves is misfit as yet: a settling has to stand out of that too.
        let misfit = found
            .iter()
            .map(|m| squares(record, m) / record.samples.len() as f64)
            .fold(f64::INFINITY, f64::min);
        let levels = flat(level.max(misfit));
        let weighed = found.into_iter().filter_map(|m| {
            let price = if m.settling.is_some() {
                range.ln() + GAIN_NEEDED
            } else {
                0.0
            };
            Some((evidence(record, &m, &levels, range, frozen)? - price, m))
        });
        *model = weighed.max_by(|a, b| a.0.total_cmp(&b.0))?.1;
    } else {
        *model = plain;
    }
    Some(level)
}

fn squares(record: &Record, model: &Model) -> f64 {
    let residual = model.residual(record);
    let trusted = residual.iter().zip(&record.trust);
    trusted.map(|(r, trust)| trust * r * r).sum()
}

/// Best log evidence over the looseness of the slow content.
fn evidence(
    record: &Record,
    model: &Model,
    levels: &Levels,
    range: f64,
    frozen: &[usize],
) -> Option<f64> {
    let normal = Normal::new(record, model, levels, &[]);
    let knots = model.mesh.intervals() as f64 / record.samples.len() as f64;
    slow_ladder((levels.slow * knots).sqrt(), range)
        .iter()
        .filter_map(|rung| {
            let looseness = Looseness {
                slow: rung.looseness,
                ..Looseness::default()
            };
            Some(solve(&normal, model, &looseness, frozen)?.log_evidence)
        })
        .max_by(f64::total_cmp)
        .map(|best| best - 0.5 * normal.squares / levels.slow)
}

/// Level of the residual between the low orders, where neither hum that moves nor slow content reaches.
fn noise_between(record: &Record, model: &Model) -> f64 {
    let residual = model.residual(record);
    let highest = model.orders.iter().copied().max().unwrap_or(1).min(6);
    let halves: Vec<usize> = (0..highest).map(|k| 2 * k + 1).collect();
    let mut levels: Vec<f64> = rings(record, model, &residual, &halves)
        .iter()
        .filter(|ring| ring.blocks() > 0)
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

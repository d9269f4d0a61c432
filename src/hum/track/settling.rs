//! Whether the record begins with a settling, and how fast it is.

use super::beside::rings;
use super::model::{Model, Settling};
use super::normal::{Border, GAIN, Levels, Normal, PHASE};
use super::prior::{Looseness, Rung, slow_ladder};
use super::record::Record;
use super::step::{converge, moved, solve};
use crate::stats::median;

/// Time constants tried.
const TRIALS: usize = 14;
/// Log evidence that a settling must gain over slow content alone.
const GAIN_NEEDED: f64 = 4.0;
const FROZEN: [usize; 2] = [PHASE, GAIN];

/// Fits slow content and steady orders with the tracks held, with an exponential where the evidence is for one. Returns
/// the level of the noise between orders.
pub(super) fn fit_slow(record: &Record, model: &mut Model, range: f64) -> Option<f64> {
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
    let mut best: Option<(f64, f64, f64)> = None;
    for (i, &time_constant_s) in trials.iter().enumerate() {
        let mut columns: Vec<usize> = (0..plain_columns).collect();
        columns.push(plain_columns + i);
        let Some(solved) = solve(&normal.with_border(&columns), model, &loose, &FROZEN) else {
            continue;
        };
        let amplitude = solved.change.last().copied().unwrap_or(0.0);
        if best.is_none_or(|(gain, _, _)| solved.decrement > gain) {
            best = Some((solved.decrement, time_constant_s, amplitude));
        }
    }
    let plain_normal = normal.with_border(&(0..plain_columns).collect::<Vec<_>>());
    let solved = solve(&plain_normal, model, &loose, &FROZEN)?;
    let plain = moved(model, &solved.change, 1.0);
    let settled = best.and_then(|(_, time_constant_s, amplitude)| {
        let mut settled = plain.clone();
        settled.settling = Some(Settling {
            amplitude,
            time_constant_s,
        });
        let level = noise_between(record, &plain);
        converge(record, &mut settled, &flat(level), &loose, &FROZEN, 8)?;
        Some(settled)
    });
    *model = plain.clone();
    if let Some(settled) = settled {
        let level = noise_between(record, &settled);
        let levels = flat(level);
        let sense = |m: &Model| -> Option<f64> {
            let normal = Normal::new(record, m, &levels, &[]);
            let knot = (level * m.mesh.intervals() as f64 / record.samples.len() as f64).sqrt();
            let evidence = |rung: &Rung| {
                let looseness = Looseness {
                    slow: rung.looseness,
                    ..Looseness::default()
                };
                Some(
                    solve(&normal, m, &looseness, &FROZEN)?.log_evidence
                        - 0.5 * normal.squares / level,
                )
            };
            slow_ladder(knot, range)
                .iter()
                .filter_map(evidence)
                .max_by(f64::total_cmp)
        };
        let (with, without) = (sense(&settled), sense(&plain));
        if let (Some(with), Some(without)) = (with, without)
            && with - range.ln() > without + GAIN_NEEDED
        {
            *model = settled;
        }
    }
    Some(noise_between(record, model))
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

//! The fit: slow content, starting track, then rounds of noise, steps and evidence.

use super::mesh::Mesh;
use super::model::{GAIN, Model, PHASE, SLOW, TRACKS};
use super::others;
use super::record::{Record, TrackInput};
use super::rings::{Level, Ring, pooled, rings};
use super::settling::{FROZEN, fit_slow};
use super::solve::{
    Levels, Looseness, Normal, Weighed, converge, freedom, gain_ladder, gain_looseness,
    phase_ladder, phase_looseness, slow_ladder, weigh,
};
use super::start::start;
use crate::stats::{f_quantile, span};
use rustfft::num_complex::Complex64;

/// Orders that guide the tracks at most.
const GUIDES: usize = 8;
/// Orders that are fitted with the slow content.
const FIRST_ORDERS: usize = 10;
/// Cycles below which slow content and frequency are told apart in two goes.
const SHORT: usize = 30;
/// Rounds of noise, steps and evidence.
const ROUNDS: usize = 3;

/// The fit with all that its figures need.
pub(super) struct Fit {
    /// The record less the orders that do not guide.
    pub(super) record: Record,
    pub(super) model: Model,
    pub(super) normal: Normal,
    pub(super) weighed: Weighed,
    pub(super) noise: Noise,
    /// Orders that do not guide, with their amplitudes.
    pub(super) others: Vec<(usize, Complex64)>,
}

/// Noise of every order asked for, and of the slow content.
#[derive(Debug, Clone)]
pub(super) struct Noise {
    pub(super) orders: Vec<Level>,
    pub(super) slow: Level,
}

impl Noise {
    fn levels(&self, model: &Model) -> Levels {
        let at = |k: usize| self.orders[k.clamp(1, self.orders.len()) - 1].variance;
        Levels {
            slow: self.slow.variance,
            orders: model.orders.iter().map(|&k| at(k)).collect(),
            tones: model
                .tones
                .iter()
                .map(|(f, _)| at((f / model.reference_hz).round() as usize))
                .collect(),
        }
    }
}

/// Fits everything; `orders` is what the rate allows of what was asked for.
pub(super) fn fit(input: &TrackInput, orders: usize) -> Option<Fit> {
    let whole = Record::new(input);
    let mut record = whole.clone();
    let mesh = Mesh::new(whole.duration_s, whole.duration_s * input.fundamental_hz);
    let mut model = Model::new(mesh, input.fundamental_hz, input.tones_hz);
    model.set_orders((1..=orders.min(FIRST_ORDERS)).collect());
    let range = span(&whole.samples);
    if !(range > 0.0) {
        return None;
    }
    let mut level = fit_slow(&whole, &mut model, range, &FROZEN)?;
    let rest: Vec<f64> = whole
        .each(|t, x| x - model.slow_at(t) - model.tones_at(t))
        .collect();
    start(&whole, &rest, &mut model, orders.min(2 * FIRST_ORDERS));
    if model.settling.is_some() || mesh.intervals < SHORT {
        // Again with the frequency known: what a wrong one leaves looks like slow content.
        let frozen: &[usize] = if mesh.intervals < SHORT {
            &[GAIN]
        } else {
            &FROZEN
        };
        level = fit_slow(&whole, &mut model, range, frozen)?;
        model.settle_gauge();
    }
    let flat = Level {
        variance: level,
        dof: f64::INFINITY,
    };
    let mut noise = Noise {
        orders: vec![flat; orders],
        slow: flat,
    };
    let mut looseness = [range, 0.0, 0.0];
    model.amplitudes.fill(Complex64::default());
    let levels = noise.levels(&model);
    converge(&record, &mut model, &levels, &looseness, &FROZEN, 2)?;
    choose_guides(&whole, &mut model, orders);
    looseness[PHASE] = phase_looseness(&mesh, 0.2);
    looseness[GAIN] = gain_looseness(&mesh, 0.3);
    let mut others = Vec::new();
    let levels = noise.levels(&model);
    let mut normal = converge(&record, &mut model, &levels, &looseness, &[], 8)?;
    let mut weighed = None;
    for _ in 0..ROUNDS {
        (record, others) = others_aside(&whole, &model, orders)?;
        noise = read_noise(&record, &model, &normal, &noise, &looseness);
        let levels = noise.levels(&model);
        normal = Normal::new(&record, &model, &levels, &[]);
        let per_knot = record.samples.len() as f64 / mesh.intervals as f64;
        let ladders: [_; TRACKS] = [
            slow_ladder((noise.slow.variance / per_knot).sqrt(), range),
            phase_ladder(&mesh),
            gain_ladder(&mesh),
        ];
        let found = weigh(&normal, &model, &ladders, &looseness);
        looseness = found.candidates.first()?.looseness;
        weighed = Some(found);
        // The next reading of the noise has to find the tracks as loose as is said of them.
        normal = converge(&record, &mut model, &levels, &looseness, &[], 3)?;
    }
    model.settle_gauge();
    Some(Fit {
        record,
        normal: Normal::new(
            &whole_less(&whole, &model, &others),
            &model,
            &noise.levels(&model),
            &[],
        ),
        model,
        weighed: weighed?,
        noise,
        others,
    })
    .filter(|fit| fit.normal.squares.is_finite())
}

/// The orders that tell most of phase and gain, and the two lowest.
fn choose_guides(record: &Record, model: &mut Model, orders: usize) {
    let rest = model.residual(record);
    let beyond = model.others(orders);
    let found = others::amplitudes(record, model, &rest, &beyond).unwrap_or_default();
    let lines = beyond.into_iter().zip(found).chain(model.lines());
    let mut strengths: Vec<(usize, f64)> = lines.map(|(k, c)| (k, c.norm())).collect();
    // Phase is told by k·A, gain by A.
    strengths.sort_by(|a, b| {
        let weight = |s: &(usize, f64)| s.1 * (s.0 as f64).sqrt();
        weight(b).total_cmp(&weight(a))
    });
    let mut guides: Vec<usize> = strengths.iter().take(GUIDES).map(|s| s.0).collect();
    guides.extend([1, 2].into_iter().filter(|&k| k <= orders));
    guides.sort_unstable();
    guides.dedup();
    model.set_orders(guides);
}

/// The record less the series of the other orders.
fn whole_less(whole: &Record, model: &Model, others: &[(usize, Complex64)]) -> Record {
    if others.is_empty() {
        return whole.clone();
    }
    let mut rest = model.clone();
    (rest.orders, rest.amplitudes) = others.iter().copied().unzip();
    let mut record = whole.clone();
    record.samples = whole.each(|t, x| x - rest.series_at(t)).collect();
    record
}

/// The record less the orders that do not guide, and these.
fn others_aside(
    whole: &Record,
    model: &Model,
    orders: usize,
) -> Option<(Record, Vec<(usize, Complex64)>)> {
    let list = model.others(orders);
    let found = others::amplitudes(whole, model, &model.residual(whole), &list)?;
    let others: Vec<(usize, Complex64)> = list.into_iter().zip(found).collect();
    Some((whole_less(whole, model, &others), others))
}

/// Reads the noise beside each order off the residual, what the tracks took of it given back.
fn read_noise(
    record: &Record,
    model: &Model,
    normal: &Normal,
    before: &Noise,
    looseness: &Looseness,
) -> Noise {
    let orders = before.orders.len();
    let taken = freedom(normal, model, looseness);
    let residual = model.residual(record);
    let mut halves = vec![0, 1];
    halves.extend((1..=orders).map(|k| 2 * k));
    let rings = rings(record, model, &residual, &halves);
    let share = |weight: &dyn Fn(usize, f64) -> f64| -> Vec<f64> {
        let mut shares = vec![0.0; orders];
        for (k, c) in model.lines() {
            shares[k - 1] = weight(k, c.norm_sqr()) / before.orders[k - 1].variance;
        }
        let total: f64 = shares.iter().sum();
        shares
            .iter()
            .map(|s| s / total.max(f64::MIN_POSITIVE))
            .collect()
    };
    let phase = share(&|k, power| (k * k) as f64 * power);
    let gain = share(&|_, power| power);
    let by_order = |k: usize| 2.0 + phase[k - 1] * taken[PHASE] + gain[k - 1] * taken[GAIN];
    let own: Vec<Level> = (1..=orders)
        .map(|k| rings[k + 1].level(by_order(k)))
        .collect();
    let floor =
        1e-26 * record.samples.iter().map(|x| x * x).sum::<f64>() / record.samples.len() as f64;
    let at_least = |level: Level| Level {
        variance: level.variance.max(floor),
        ..level
    };
    let levels: Vec<Level> = pooled(&own)
        .into_iter()
        .enumerate()
        .map(|(i, level)| {
            let taken = 2.0 + phase[i] * taken[PHASE].min(6.0) + gain[i] * taken[GAIN].min(5.0);
            at_least(grown(&rings[i + 2], level, taken))
        })
        .collect();
    Noise {
        slow: at_least(slow_noise(&rings[0], &rings[1], taken[SLOW])),
        orders: levels,
    }
}

/// The level close by a line where it stands out of its ring: a line that moves by itself.
fn grown(ring: &Ring, level: Level, taken: f64) -> Level {
    let reach = (ring.blocks.len() / 12).max(2);
    if 2 * reach + 1 >= ring.blocks.len() {
        return level;
    }
    let near = ring.near(reach, taken);
    let most = f_quantile(0.99, near.dof, level.dof);
    if near.variance > most * level.variance {
        near
    } else {
        level
    }
}

/// Noise at zero frequency: below half the fundamental where the slow track leaves enough of it, else about half the
/// fundamental.
fn slow_noise(zero: &Ring, half: &Ring, taken: f64) -> Level {
    let blocks = zero.blocks.len() as f64;
    let own = zero.level(2.0 * taken.min(blocks));
    let own = Level {
        dof: 0.5 * own.dof,
        ..own
    };
    if half.blocks.is_empty() || taken < 0.4 * blocks {
        return own;
    }
    let half = half.level(0.0);
    if half.variance > own.variance {
        half
    } else {
        own
    }
}

//! Steps of Gauss and Newton with the tracks' priors, and the evidence of how loose the tracks are.

use super::bordered::Factored;
use super::looseness::{Looseness, Precisions, Rung};
use super::normal::{Levels, Normal};
use crate::hum::track::model::{GAIN, Model, PHASE, SLOW, TRACKS};
use crate::hum::track::record::Record;
use rustfft::num_complex::Complex64;

/// Largest change of a guide order's phase in one step, rad.
const LARGEST_TURN: f64 = 0.7;
/// Largest change of a settling's log time constant in one step.
const LARGEST_STRETCH: f64 = 0.4;
/// Precision of the log time constant of a settling about where it is.
const TIME_CONSTANT_PRECISION: f64 = 1.0;
/// Share of its information by which a settling is held where loose slow content could stand for it.
const DAMPING: f64 = 1e-9;
/// Log evidence below the best at which a looseness no longer counts.
const FAR: f64 = 9.0;

/// The penalised step at one looseness, and what it says of it.
pub(crate) struct Solved {
    pub(crate) factored: Factored,
    /// Change of every unknown.
    pub(crate) change: Vec<f64>,
    pub(crate) log_evidence: f64,
    /// Twice the gain that the step promises.
    pub(crate) decrement: f64,
}

/// Solves at `looseness`; the tracks in `frozen` stay as they are.
pub(crate) fn solve(
    normal: &Normal,
    model: &Model,
    looseness: &Looseness,
    frozen: &[usize],
) -> Option<Solved> {
    let precisions = Precisions::new(looseness, &normal.information);
    solve_with(normal, model, &precisions, frozen)
}

fn solve_with(
    normal: &Normal,
    model: &Model,
    precisions: &Precisions,
    frozen: &[usize],
) -> Option<Solved> {
    let n = model.mesh.coefficients();
    let mut matrix = normal.information.clone();
    precisions.add_to(&mut matrix);
    let (product, form) = precisions.product(&model.tracks);
    let mut change = normal.score.clone();
    for (value, p) in change.iter_mut().zip(&product) {
        *value -= p;
    }
    let middle = model.mesh.middle();
    let pinned = [PHASE, GAIN].map(|track| TRACKS * middle + track);
    let frozen = frozen
        .iter()
        .flat_map(|track| (0..n).map(move |i| TRACKS * i + track));
    for index in pinned.into_iter().chain(frozen) {
        matrix.pin(index);
        change[index] = 0.0;
    }
    if model.settling.is_some() {
        let at = model.settling_at();
        matrix.add_corner(at, DAMPING * matrix.corner_diagonal(at));
        let stretch = DAMPING * matrix.corner_diagonal(at + 1);
        matrix.add_corner(at + 1, stretch + TIME_CONSTANT_PRECISION);
    }
    let right = change.clone();
    let factored = matrix.factor()?;
    factored.solve(&mut change);
    let decrement: f64 = right.iter().zip(&change).map(|(a, b)| a * b).sum();
    let log_evidence = precisions.half_log_determinant(n) - 0.5 * factored.log_determinant()
        + 0.5 * (decrement - form);
    Some(Solved {
        factored,
        change,
        log_evidence,
        decrement,
    })
}

/// Degrees of freedom that each track takes at a looseness.
pub(crate) fn freedom(normal: &Normal, model: &Model, looseness: &Looseness) -> [f64; TRACKS] {
    let precisions = Precisions::new(looseness, &normal.information);
    let n = model.mesh.coefficients();
    [SLOW, PHASE, GAIN].map(|track| {
        let rank = Precisions::rank(track, n);
        let step = 0.02_f64;
        let determinant = |sign: f64| {
            let moved = precisions.scaled(track, (sign * step).exp());
            solve_with(normal, model, &moved, &[]).map(|s| s.factored.log_determinant())
        };
        let free = [2.0, 1.0, 0.0][track];
        match (determinant(1.0), determinant(-1.0)) {
            (Some(up), Some(down)) => free + (rank - (up - down) / (2.0 * step)).clamp(0.0, rank),
            _ => free + rank,
        }
    })
}

/// The model with a share of a change made.
pub(crate) fn moved(model: &Model, change: &[f64], share: f64) -> Model {
    let mut out = model.clone();
    let n = model.mesh.coefficients();
    for (track, values) in out.tracks.iter_mut().enumerate() {
        for (i, value) in values.iter_mut().enumerate() {
            *value += share * change[TRACKS * i + track];
        }
    }
    let border = &change[TRACKS * n..];
    let lines = out
        .amplitudes
        .iter_mut()
        .chain(out.tones.iter_mut().map(|(_, d)| d));
    for (c, d) in lines.zip(border.as_chunks::<2>().0) {
        *c += Complex64::new(share * d[0], share * d[1]);
    }
    if let Some(settling) = &mut out.settling {
        let at = model.settling_at();
        settling.amplitude += share * border[at];
        settling.time_constant_s *= (share * border[at + 1]).clamp(-0.5, 0.5).exp();
    }
    out
}

/// Share of a change that turns no strong order by too much.
fn allowed(model: &Model, change: &[f64]) -> f64 {
    let n = model.mesh.coefficients();
    let [turn, gain] = [PHASE, GAIN].map(|track| {
        let changes = change[..TRACKS * n].iter().skip(track).step_by(TRACKS);
        changes.fold(0.0_f64, |most, c| most.max(c.abs()))
    });
    let (mut sum, mut weight) = (0.0, 0.0);
    for (k, c) in model.lines() {
        sum += (k * k) as f64 * c.norm_sqr();
        weight += c.norm_sqr();
    }
    let stretch = match model.settling {
        Some(_) => change[TRACKS * n + model.settling_at() + 1].abs(),
        None => 0.0,
    };
    let order = if weight > 0.0 {
        (sum / weight).sqrt()
    } else {
        1.0
    };
    (LARGEST_TURN / (order * turn).max(f64::MIN_POSITIVE))
        .min(0.7 / gain.max(f64::MIN_POSITIVE))
        .min(LARGEST_STRETCH / stretch.max(f64::MIN_POSITIVE))
        .min(1.0)
}

/// Steps until the gain left is small; returns the normal equations of the last state looked at.
pub(crate) fn converge(
    record: &Record,
    model: &mut Model,
    levels: &Levels,
    looseness: &Looseness,
    frozen: &[usize],
    most: usize,
) -> Option<Normal> {
    let mut normal = Normal::new(record, model, levels, &[]);
    for _ in 0..most {
        let solved = solve(&normal, model, looseness, frozen)?;
        if !(solved.decrement.abs() > 0.05) {
            break;
        }
        let mut share = allowed(model, &solved.change);
        let mut next = moved(model, &solved.change, share);
        let mut after = Normal::new(record, &next, levels, &[]);
        let mut halvings = 0;
        while after.squares > 1.2 * normal.squares && halvings < 4 {
            share *= 0.4;
            halvings += 1;
            next = moved(model, &solved.change, share);
            after = Normal::new(record, &next, levels, &[]);
        }
        if after.squares > 1.2 * normal.squares {
            break;
        }
        *model = next;
        normal = after;
    }
    Some(normal)
}

/// One looseness with its share of what is believed.
#[derive(Debug, Clone)]
pub(crate) struct Candidate {
    pub(crate) looseness: Looseness,
    pub(crate) log_weight: f64,
}

/// What the grid says: the looseness that count, by falling weight, and the log odds that phase and gain move at all.
#[derive(Debug, Clone)]
pub(crate) struct Weighed {
    pub(crate) candidates: Vec<Candidate>,
    pub(crate) log_odds: [f64; 2],
}

/// Weighs the grid of looseness by evidence and prior: the slow content's ladder first, then the whole of the phase's
/// and the gain's beside its best rungs and "constant".
pub(crate) fn weigh(
    normal: &Normal,
    model: &Model,
    ladders: &[Vec<Rung>; TRACKS],
    around: &Looseness,
) -> Weighed {
    let weighed = |rungs: [Rung; TRACKS]| {
        let looseness = rungs.map(|rung| rung.looseness);
        let evidence = solve(normal, model, &looseness, &[])?.log_evidence;
        let chances = rungs.iter().map(|rung| rung.log_chance);
        let log_weight = chances.fold(evidence, |sum, chance| sum + chance);
        log_weight.is_finite().then_some(Candidate {
            looseness,
            log_weight,
        })
    };
    let [_, phase, gain] = around.map(|looseness| Rung {
        looseness,
        log_chance: 0.0,
    });
    let mut slow: Vec<(Rung, f64)> = ladders[SLOW]
        .iter()
        .filter_map(|rung| Some((*rung, weighed([*rung, phase, gain])?.log_weight)))
        .collect();
    slow.sort_by(|a, b| b.1.total_cmp(&a.1));
    let best = slow.first().map_or(0.0, |s| s.1);
    slow.retain(|s| s.1 > best - 4.0);
    slow.truncate(3);
    let mut candidates: Vec<Candidate> = Vec::new();
    for (rung, _) in &slow {
        for phase in &ladders[PHASE] {
            for gain in &ladders[GAIN] {
                candidates.extend(weighed([*rung, *phase, *gain]));
            }
        }
    }
    let log_odds = [PHASE, GAIN].map(|track| odds(&candidates, track));
    candidates.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    let top = candidates.first().map_or(0.0, |c| c.log_weight);
    candidates.retain(|c| c.log_weight > top - FAR);
    Weighed {
        candidates,
        log_odds,
    }
}

/// Log of the weight of what moves over the weight of what does not.
fn odds(candidates: &[Candidate], track: usize) -> f64 {
    let weights = || candidates.iter().map(|c| c.log_weight);
    let top = weights().fold(f64::NEG_INFINITY, f64::max);
    let sum = |moves: bool| -> f64 {
        let own = candidates
            .iter()
            .filter(|c| (c.looseness[track] > 0.0) == moves);
        own.map(|c| (c.log_weight - top).exp()).sum()
    };
    sum(true).max(f64::MIN_POSITIVE).ln() - sum(false).max(f64::MIN_POSITIVE).ln()
}

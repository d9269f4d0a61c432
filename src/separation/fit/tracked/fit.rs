//! Fit of the hum model: phase track from all harmonics together, amplitudes with a memory chosen
//! by the data, sudden changes, robust against what is not hum.

use super::alignment::{align, highest_aligned};
use super::amplitudes::update_amplitudes;
use super::breaks::{MOST_BREAKS, drop_break, find_break, place_breaks, silence};
use super::detection::{Detection, FALSE_ALARM, detect};
use super::fitter::{Fitter, Manner};
use super::mesh::mesh;
use super::phase::update_phase;
use crate::separation::fit::course::Course;
use crate::separation::fit::fitted::Fit;
use crate::separation::fit::lines::find_lines;
use crate::separation::fit::model::HumModel;
use crate::separation::fit::settings::FitSettings;
use std::borrow::Cow;

/// Intervals of the mesh at most.
const INTERVALS: usize = 1600;
/// Shift of the phase, cycles, that is expected of a course.
const FIRST_SHIFT: f64 = 0.02;
/// Doubt about a course's fundamental, Hz.
const COURSE_DOUBT_HZ: f64 = 0.5;
/// Rounds of phase and constants at most before breaks are looked for, and the shift of the highest order, cycles, at
/// which the track has settled.
const ROUNDS: usize = 10;
const SETTLED: f64 = 2e-3;

/// Fits hum to `x`, starting from its course.
pub(crate) fn fit(
    x: &[f64],
    missing: Option<Vec<f32>>,
    course: &Course,
    settings: &FitSettings,
) -> Fit {
    let duration = x.len() as f64 / settings.rate_hz;
    let cycles = (duration * course.nominal_hz / INTERVALS as f64).ceil();
    let plain = mesh(x.len(), course, settings.rate_hz, cycles.max(1.0));
    let mut fitter = Fitter::new(x, missing, &plain, settings.rate_hz);
    let mut starts = vec![plain];
    if !course.is_steady() {
        let steady = course.without_points();
        starts.push(mesh(x.len(), &steady, settings.rate_hz, cycles.max(1.0)));
    }
    let Some((model, orders, shift)) = find_orders(&mut fitter, starts, settings) else {
        return Fit::default();
    };
    settle(fitter, x, (model, orders), shift, settings)
}

/// Follows the low orders from each of some tracks, aligned and as it is, until one of them shows a series; returns the
/// model, the orders that stand out, and the shift to which the track follows them.
///
/// What an alignment followed may be a foreign line: then its track shows no series, and the course's own is tried.
fn find_orders(
    fitter: &mut Fitter<'_>,
    starts: Vec<HumModel>,
    settings: &FitSettings,
) -> Option<(HumModel, Vec<usize>, f64)> {
    let low = highest_aligned(settings);
    let mut best = None;
    for plain in starts {
        fitter.smoothing.respace(&plain);
        let mut aligned = plain.clone();
        aligned.set_orders((1..=low).collect());
        let sums = fitter.sums(&aligned);
        let followed = align(&mut aligned, &sums, fitter.smoothing.interval_s);
        for mut model in followed.then_some(aligned).into_iter().chain([plain]) {
            let barred = settings.barred_of(&model, COURSE_DOUBT_HZ);
            model.set_orders((1..=low).filter(|k| !barred.contains(k)).collect());
            let mut shift = FIRST_SHIFT;
            for _ in 0..2 {
                shift = fitter.follow(&mut model, shift);
            }
            let found = detected(fitter, &model, settings);
            if !found.orders.is_empty() {
                return Some((model, found.orders, shift));
            }
            best = Some((model, found.orders, shift));
        }
    }
    best
}

fn detected(fitter: &mut Fitter<'_>, model: &HumModel, settings: &FitSettings) -> Detection {
    let weights = fitter.weights.clone();
    detect(model, fitter.residual(model), weights.as_deref(), settings)
}

/// Fits the orders that were found in `record`, from a track that follows the hum to `shift` cycles.
fn settle(
    mut fitter: Fitter<'_>,
    record: &[f64],
    (old, orders): (HumModel, Vec<usize>),
    mut shift: f64,
    settings: &FitSettings,
) -> Fit {
    let mut fit = Fit::default();
    let mut model = old.clone();
    model.set_orders(orders);
    carry_over(&old, &mut model);
    let Some(&highest) = model.orders.iter().max() else {
        fit.model = model;
        return fit;
    };
    // Phase and constants first: tracks of their own would take in what is phase.
    fitter.set_manner(Manner {
        wary: true,
        ..Manner::default()
    });
    for round in 0..ROUNDS {
        if round >= 1 {
            fitter.down_weight(&model);
        }
        shift = fitter.follow(&mut model, shift);
        if round >= 2 && shift * (highest as f64) < SETTLED {
            break;
        }
    }
    shift = settle_breaks(&mut fitter, &mut model, shift);
    fit.lines = set_lines_aside(&mut fitter, record, &model, settings.rate_hz);
    if !fit.lines.is_empty() {
        // What the lines hid.
        shift = add_orders(&mut fitter, &mut model, settings, shift);
        for _ in 0..2 {
            shift = fitter.follow(&mut model, shift);
            set_lines_aside(&mut fitter, record, &model, settings.rate_hz);
        }
    }
    for _ in 0..3 {
        fitter.down_weight(&model);
        let mut sums = fitter.sums(&model);
        let step = update_phase(&mut model, &mut sums, &fitter.smoothing, shift);
        shift = step.shift;
        fit.spent = update_amplitudes(&mut model, &sums, &fitter.smoothing);
        silence(&mut model, &sums);
        fit.noise = sums.noise;
        fit.pairs = sums.pairs;
        fit.usual = sums.usual;
        fit.track_parameters = step.parameters;
    }
    // Once more without the samples that are not hum's: a train of pulses has lines of its own.
    let found = detected(&mut fitter, &model, settings);
    fit.excess = found.excess;
    if found.false_alarm > FALSE_ALARM {
        model.set_orders(Vec::new());
    }
    fit.model = model;
    fit
}

/// Adds the orders that stand out by now; returns the usual shift of the phase at last.
fn add_orders(
    fitter: &mut Fitter<'_>,
    model: &mut HumModel,
    settings: &FitSettings,
    shift: f64,
) -> f64 {
    let found = detected(fitter, model, settings);
    let mut orders = model.orders.clone();
    let new = |k: &usize| !model.orders.contains(k);
    orders.extend(found.orders.into_iter().filter(new));
    if orders.len() == model.orders.len() {
        return shift;
    }
    orders.sort_unstable();
    let old = model.clone();
    model.set_orders(orders);
    carry_over(&old, model);
    fitter.follow(model, shift)
}

/// Finds and places sudden changes, and drops those that are not worth their parameters; returns the usual shift of the
/// phase at last.
fn settle_breaks(fitter: &mut Fitter<'_>, model: &mut HumModel, mut shift: f64) -> f64 {
    for _ in 0..MOST_BREAKS {
        let sums = fitter.sums(model);
        let samples = (&*fitter.x, fitter.missing.as_deref());
        let Some(split) = find_break(model, &sums, &fitter.smoothing, samples) else {
            break;
        };
        *model = split;
        fitter.smoothing.respace(model);
        for _ in 0..3 {
            fitter.down_weight(model);
            shift = fitter.follow(model, shift);
            place_breaks(model, &fitter.x, fitter.missing.as_deref());
            fitter.smoothing.respace(model);
        }
    }
    while model.constants.len() > 1 {
        let sums = fitter.sums(model);
        if !drop_break(model, &sums) {
            break;
        }
        shift = fitter.follow(model, shift);
    }
    shift
}

/// Takes narrow lines of `record` that are no hum out of what is fitted; returns their frequencies.
fn set_lines_aside(
    fitter: &mut Fitter<'_>,
    record: &[f64],
    model: &HumModel,
    rate: f64,
) -> Vec<f64> {
    let mut rest = vec![0.0; record.len()];
    model.residual(record, &mut rest);
    let weight = |i: usize| fitter.weights.as_ref().map_or(1.0, |w| f64::from(w[i]));
    let (sum, mass) = rest
        .iter()
        .enumerate()
        .fold((0.0, 1e-300), |(s, m), (i, r)| {
            (s + weight(i) * r, m + weight(i))
        });
    rest.iter_mut().for_each(|r| *r -= sum / mass);
    let duration = rest.len() as f64 / rate;
    let frequencies = (0..model.intervals()).map(|i| model.cycles_per_sample(i) * rate);
    let (low, high) = frequencies.fold((f64::INFINITY, 0.0), |(low, high), f| {
        (f.min(low), f64::max(f, high))
    });
    let guard = (6.0 / duration).max(2.0);
    let lines = find_lines(&rest, fitter.weights.as_deref(), |cycles_per_sample| {
        let hz = cycles_per_sample * rate;
        let order = (hz / (0.5 * (low + high))).round();
        // What moves slower than half a cycle's mean is taken off before the fit.
        order < 1.0 || (hz > order * low - guard && hz < order * high + guard)
    });
    if lines.is_empty() {
        return Vec::new();
    }
    let mut without = record.to_vec();
    for line in &lines {
        line.put(&mut without, -1.0);
    }
    fitter.x = Cow::Owned(without);
    lines.iter().map(|line| line.frequency).collect()
}

fn carry_over(old: &HumModel, new: &mut HumModel) {
    for (o, order) in new.orders.iter().enumerate() {
        if let Some(from) = old.orders.iter().position(|k| k == order) {
            for (into, piece) in new.constants.iter_mut().zip(&old.constants) {
                into[o] = piece[from];
            }
            new.deviations[o].clone_from(&old.deviations[from]);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::separation::fit::trials::{RATE_HZ, fitted, hum, made};

    /// What is left is the noise: its power within four of its deviations (2/N), and the hum's own parameters below it.
    #[test]
    fn the_fit_leaves_the_noise() {
        let noise = 0.2;
        let x = made(6.0, 4, noise, |t| hum(50.07 * t));
        let fit = fitted(&x);
        let mut left = x.clone();
        fit.model.subtract(&mut left, 0, fit.model.intervals());
        let count = left.len() as f64;
        let power = left.iter().map(|v| v * v).sum::<f64>() / count;
        let expected = noise * noise;
        let scatter = expected * (2.0 / count).sqrt();
        assert!(
            (power - expected).abs() < 6.0 * scatter,
            "{power} {expected}"
        );
        let seconds = x.len() as f64 / RATE_HZ;
        let cycles = fit.model.phase.last().unwrap() - fit.model.phase[0];
        assert!((cycles / seconds - 50.07).abs() < 1e-3, "{cycles}");
    }
}

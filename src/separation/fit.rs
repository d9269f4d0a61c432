//! Fit of the hum model: phase track from all harmonics together, amplitudes with a memory chosen
//! by the data, sudden changes, robust against what is not hum.

use super::banded::{Banded, Roughness};
use super::fold::{fold, remove_running_mean};
use super::model::HumModel;
use super::search::CoarseTrack;
use super::smoother::{Smoothed, TrackData, dot};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Intervals of the mesh at most.
const INTERVALS: usize = 1600;
/// Groups of intervals that give the noise beside a line.
const GROUPS: usize = 32;
/// Fastest changes that tracks follow, Hz.
const PHASE_BANDWIDTH_HZ: f64 = 12.0;
const GAIN_BANDWIDTH_HZ: f64 = 4.0;
const OWN_BANDWIDTH_HZ: f64 = 2.0;
/// Gain of log-likelihood that a track of its own must bring.
const OWN_TRACK_GAIN: f64 = 6.0;
const MOST_BREAKS: usize = 12;
/// Shortest stretch between two changes of all amplitudes.
const NARROWEST_PIECE_S: f64 = 0.4;

/// What the fit may do.
#[derive(Debug, Clone)]
pub(super) struct FitSettings {
    pub(super) rate_hz: f64,
    pub(super) highest_order: usize,
    /// Frequencies that must not be touched, Hz.
    pub(super) protect_hz: Vec<f64>,
}

impl FitSettings {
    /// Orders of a fundamental (known to `doubt_hz`) too close to a protected frequency.
    pub(super) fn barred(&self, frequency_hz: f64, doubt_hz: f64, duration_s: f64) -> Vec<usize> {
        self.protect_hz
            .iter()
            .filter_map(|p| {
                let order = (p / frequency_hz).round();
                let guard = (3.0 / duration_s).max(1.0).max(order * doubt_hz);
                let close = (p - order * frequency_hz).abs() < guard.min(0.3 * frequency_hz);
                (close && order >= 1.0).then_some(order as usize)
            })
            .collect()
    }
}

/// A fitted model and what is known of it.
#[derive(Debug, Clone, Default)]
pub(super) struct Fit {
    pub(super) model: HumModel,
    /// Noise beside each order: mean square of its phasor sums over the sum of weights.
    pub(super) noise: Vec<f64>,
    /// Free parameters spent on each order.
    pub(super) parameters: Vec<f64>,
    /// Probability that a record without mains shows as much.
    pub(super) false_alarm: f64,
    pub(super) weights: Option<Vec<f32>>,
}

/// Phasor sums of the selected orders on the mesh.
struct Sums {
    orders: usize,
    left: Vec<Complex64>,
    right: Vec<Complex64>,
    gram: Vec<[f64; 3]>,
    noise: Vec<f64>,
    /// Weight of every interval and order; empty where all count in full.
    trust: Vec<f32>,
}

impl Sums {
    fn gram(&self, interval: usize, o: usize) -> [f64; 3] {
        match self.trust.get(interval * self.orders + o) {
            Some(t) => self.gram[interval].map(|g| g * f64::from(*t)),
            None => self.gram[interval],
        }
    }
}

struct Fitter<'a> {
    x: &'a [f64],
    settings: &'a FitSettings,
    residual: Vec<f64>,
    weights: Option<Vec<f32>>,
    /// Weights 0 where samples are missing.
    missing: Option<Vec<f32>>,
    spacing: Vec<f64>,
    cycle: usize,
    interval_s: f64,
    /// Whether single intervals of single orders may be given up.
    wary: bool,
}

/// Fits hum to `x`, starting from the search's track.
pub(super) fn fit(
    x: &[f64],
    missing: Option<Vec<f32>>,
    track: &CoarseTrack,
    settings: &FitSettings,
) -> Fit {
    let mut model = mesh(x.len(), track, settings.rate_hz);
    let interval_s = (x.len() as f64 / model.intervals().max(1) as f64) / settings.rate_hz;
    let mut fitter = Fitter {
        x,
        settings,
        residual: vec![0.0; x.len()],
        weights: missing.clone(),
        missing,
        spacing: Vec::new(),
        cycle: (settings.rate_hz / track.nominal_hz).round().max(1.0) as usize,
        interval_s,
        wary: false,
    };
    fitter.respace(&model);
    let steady = model.clone();
    fitter.align(&mut model);
    fitter.run(model, steady)
}

/// Fits the shape of another channel's hum, one complex factor an order, to `x`; keeps the orders that
/// stand out and returns the noise beside them.
pub(super) fn project(
    x: &[f64],
    missing: Option<Vec<f32>>,
    model: &mut HumModel,
    settings: &FitSettings,
) -> Vec<f64> {
    const ROUNDS: usize = 5;
    let shape = model.clone();
    let intervals = shape.intervals().max(1);
    let cycles = shape.phase[shape.phase.len() - 1] - shape.phase[0];
    let mut fitter = Fitter {
        x,
        settings,
        residual: vec![0.0; x.len()],
        weights: missing.clone(),
        missing,
        spacing: Vec::new(),
        cycle: (x.len() as f64 / cycles.max(1.0)).round().max(1.0) as usize,
        interval_s: x.len() as f64 / intervals as f64 / settings.rate_hz,
        wary: false,
    };
    fitter.respace(model);
    let mut factors = vec![Complex64::default(); shape.orders.len()];
    let mut strengths = vec![0.0; shape.orders.len()];
    let mut noise = Vec::new();
    for round in 0..ROUNDS {
        *model = scaled(&shape, &factors);
        if round >= 2 && intervals > 8 {
            fitter.wary = true;
            fitter.down_weight(model);
        }
        let sums = fitter.sums(model);
        let (left, right) = whole_sums(model, &sums);
        let n = sums.orders;
        for o in 0..n {
            let (mut along, mut length) = (Complex64::default(), 0.0);
            for i in 0..shape.intervals() {
                let (a, b) = (shape.amplitude(o, i, i), shape.amplitude(o, i, i + 1));
                let [aa, ab, bb] = sums.gram(i, o);
                along += a.conj() * left[i * n + o] + b.conj() * right[i * n + o];
                length += aa * a.norm_sqr() + 2.0 * ab * (a.conj() * b).re + bb * b.norm_sqr();
            }
            factors[o] = if length > 0.0 {
                along / length
            } else {
                Complex64::default()
            };
            strengths[o] = factors[o].norm_sqr() * length / sums.noise[o];
        }
        noise = sums.noise;
    }
    // Expected to take in one in a thousand that is noise.
    for (factor, strength) in factors.iter_mut().zip(&strengths) {
        if *strength < 7.0 {
            *factor = Complex64::default();
        }
    }
    *model = scaled(&shape, &factors);
    let kept: Vec<bool> = factors.iter().map(|f| f.norm_sqr() > 0.0).collect();
    let pick = |values: &[Complex64]| -> Vec<Complex64> {
        values
            .iter()
            .zip(&kept)
            .filter(|(_, k)| **k)
            .map(|(v, _)| *v)
            .collect()
    };
    model.constants = model.constants.iter().map(|c| pick(c)).collect();
    let mut index = 0..;
    model
        .orders
        .retain(|_| index.next().is_some_and(|i| kept[i]));
    let mut index = 0..;
    model
        .deviations
        .retain(|_| index.next().is_some_and(|i| kept[i]));
    noise
        .iter()
        .zip(&kept)
        .filter(|(_, k)| **k)
        .map(|(v, _)| *v)
        .collect()
}

fn scaled(shape: &HumModel, factors: &[Complex64]) -> HumModel {
    let mut model = shape.clone();
    for constants in &mut model.constants {
        for (c, f) in constants.iter_mut().zip(factors) {
            *c *= f;
        }
    }
    for (deviation, f) in model.deviations.iter_mut().zip(factors) {
        for d in deviation.iter_mut() {
            *d *= f;
        }
    }
    model
}

/// Lays out intervals of whole cycles of the coarse track.
fn mesh(samples: usize, track: &CoarseTrack, rate: f64) -> HumModel {
    let duration = samples as f64 / rate;
    let cycles = (duration * track.nominal_hz / INTERVALS as f64)
        .ceil()
        .max(1.0);
    let (mut edges, mut phase) = (vec![0], vec![0.0]);
    let mut time = 0.0;
    loop {
        let mut step = cycles / track.frequency_at(time);
        step = cycles / track.frequency_at(time + 0.5 * step);
        time += step;
        let edge = (time * rate).round();
        if edge as usize >= samples {
            break;
        }
        let whole = edges.len() as f64 * cycles;
        edges.push(edge as usize);
        phase.push(whole + (edge / rate - time) * track.frequency_at(time));
    }
    let last = edges.len() - 1;
    if last > 0 && ((samples - edges[last]) as f64) < 0.5 * cycles * rate / track.nominal_hz {
        edges.pop();
        phase.pop();
    }
    let last = edges.len() - 1;
    let rest = (samples - edges[last]) as f64 / rate;
    let frequency = track.frequency_at(edges[last] as f64 / rate + 0.5 * rest);
    phase.push(phase[last] + rest * frequency);
    edges.push(samples);
    let intervals = edges.len() - 1;
    HumModel {
        gain: vec![1.0; edges.len()],
        edges,
        phase,
        piece: vec![0; intervals],
        constants: vec![Vec::new()],
        ..HumModel::default()
    }
}

impl Fitter<'_> {
    fn respace(&mut self, model: &HumModel) {
        let nominal = self.x.len() as f64 / model.intervals() as f64;
        self.spacing = model
            .edges
            .windows(2)
            .map(|e| (e[1] - e[0]) as f64 / nominal)
            .collect();
    }

    /// Residual of the model, less its running mean over a cycle.
    fn update_residual(&mut self, model: &HumModel) {
        model.residual(self.x, &mut self.residual);
        remove_running_mean(&mut self.residual, self.weights.as_deref(), self.cycle);
    }

    fn sums(&mut self, model: &HumModel) -> Sums {
        self.update_residual(model);
        let count = model.orders.len();
        let intervals = model.intervals();
        let mut sums = Sums {
            orders: count,
            left: Vec::with_capacity(count * intervals),
            right: Vec::with_capacity(count * intervals),
            gram: Vec::with_capacity(intervals),
            noise: Vec::new(),
            trust: Vec::new(),
        };
        let top = model.orders.iter().copied().max().unwrap_or(1);
        fold(model, &self.residual, self.weights.as_deref(), top, |f| {
            sums.left.extend(model.orders.iter().map(|k| f.left[*k]));
            sums.right.extend(model.orders.iter().map(|k| f.right[*k]));
            sums.gram.push(f.gram);
        });
        if self.wary {
            distrust(&mut sums);
        }
        sums.noise = self.noise(&sums);
        sums
    }

    /// Noise beside each order from differences of neighbouring groups of intervals.
    fn noise(&self, sums: &Sums) -> Vec<f64> {
        let intervals = sums.gram.len();
        let groups = group_bounds(intervals);
        let mut noise: Vec<f64> = (0..sums.orders)
            .map(|o| {
                let means: Vec<(Complex64, f64)> = groups
                    .windows(2)
                    .map(|g| {
                        let (mut sum, mut weight) = (Complex64::default(), 0.0);
                        for i in g[0]..g[1] {
                            sum += sums.left[i * sums.orders + o] + sums.right[i * sums.orders + o];
                            weight += total(sums.gram(i, o));
                        }
                        (sum, weight)
                    })
                    .collect();
                noise_of_groups(&means)
            })
            .collect();
        pool(&mut noise, groups.len() - 1);
        noise
    }

    /// First, rough alignment of the phase track: interval groups tracked one after the other on a
    /// small grid of shifts, all low orders together.
    fn align(&mut self, model: &mut HumModel) {
        let top = self.settings.highest_order.min(20);
        model.set_orders((1..=top).collect());
        let group = (0.08 / self.interval_s).round().max(1.0) as usize;
        let sums = self.sums(model);
        let intervals = model.intervals();
        let count = intervals.div_ceil(group);
        if count < 4 {
            return;
        }
        let mut phasors = vec![vec![Complex64::default(); top]; count];
        let mut mass = vec![0.0; count];
        for i in 0..intervals {
            for (o, phasor) in phasors[i / group].iter_mut().enumerate() {
                *phasor += sums.left[i * top + o] + sums.right[i * top + o];
            }
            mass[i / group] += total(sums.gram[i]);
        }
        let noise: Vec<f64> = (0..top)
            .map(|o| {
                let mut changes: Vec<f64> = (1..count)
                    .map(|g| {
                        (phasors[g][o] / mass[g].max(1.0)
                            - phasors[g - 1][o] / mass[g - 1].max(1.0))
                        .norm_sqr()
                    })
                    .collect();
                let middle = changes.len() / 2;
                let (_, median, _) = changes.select_nth_unstable_by(middle, f64::total_cmp);
                median.max(1e-300)
            })
            .collect();
        let strength: f64 = (0..top)
            .map(|o| {
                let power: f64 = (0..count)
                    .map(|g| (phasors[g][o] / mass[g].max(1.0)).norm_sqr())
                    .sum::<f64>()
                    / count as f64;
                (power / noise[o] - 1.0).max(0.0)
            })
            .sum();
        if strength < 10.0 {
            return;
        }
        let mut reference: Vec<Complex64> =
            (0..top).map(|o| phasors[0][o] / mass[0].max(1.0)).collect();
        let mut shifts = vec![0.0; count];
        let step = 1.0 / 400.0;
        for g in 1..count {
            if mass[g] <= 0.0 {
                shifts[g] = shifts[g - 1];
                continue;
            }
            let predicted = if g >= 3 {
                shifts[g - 1] + 0.5 * (shifts[g - 1] - shifts[g - 3])
            } else {
                shifts[g - 1]
            };
            let mut best = (f64::NEG_INFINITY, predicted);
            for i in -24..=24 {
                let shift = predicted + f64::from(i) * step;
                let turn = Complex64::from_polar(1.0, -2.0 * PI * shift);
                let mut rotation = Complex64::new(1.0, 0.0);
                let mut value = -f64::from(i * i) * 1e-3;
                for o in 0..top {
                    rotation *= turn;
                    value +=
                        (reference[o].conj() * phasors[g][o] * rotation).re / (noise[o] * mass[g]);
                }
                if value > best.0 {
                    best = (value, shift);
                }
            }
            shifts[g] = best.1;
            let rate = (1.0 / (g as f64 + 1.0)).max(0.1);
            for o in 0..top {
                let turn = Complex64::from_polar(1.0, -2.0 * PI * (o + 1) as f64 * shifts[g]);
                let aligned = phasors[g][o] / mass[g] * turn;
                let change = rate * (aligned - reference[o]);
                reference[o] += change;
            }
        }
        for i in 0..=intervals {
            let at = (i as f64 / group as f64 - 0.5).clamp(0.0, (count - 1) as f64);
            let low = (at as usize).min(count.saturating_sub(2));
            let share = at - low as f64;
            model.phase[i] += shifts[low] * (1.0 - share) + shifts[low + 1] * share;
        }
    }

    fn run(mut self, mut model: HumModel, mut steady: HumModel) -> Fit {
        let mut fit = Fit::default();
        let low = self.settings.highest_order.min(20);
        let barred = self.barred(&model, 0.5);
        model.set_orders((1..=low).filter(|k| !barred.contains(k)).collect());
        let mut shift = 0.02;
        for _ in 0..2 {
            shift = self.follow(&mut model, shift);
        }
        let (mut orders, mut false_alarm) = self.detect(&mut model);
        if orders.is_empty() {
            // Pulses of a wanted signal can hide a weak series, and lead its alignment astray.
            steady.set_orders(model.orders.clone());
            self.update_residual(&steady);
            self.down_weight(&steady);
            (orders, false_alarm) = self.detect(&mut steady);
            if !orders.is_empty() {
                model = steady;
                shift = 0.02;
            }
        }
        fit.false_alarm = false_alarm;
        let old = model.clone();
        model.set_orders(orders);
        carry_over(&old, &mut model);
        let Some(&highest) = model.orders.iter().max() else {
            fit.model = model;
            return fit;
        };
        // Phase and constants first: tracks of their own would take in what is phase.
        self.wary = true;
        for round in 0..6 {
            if round >= 1 {
                self.down_weight(&model);
            }
            shift = self.follow(&mut model, shift);
            if round >= 2 && shift * (highest as f64) < 2e-3 {
                break;
            }
        }
        for _ in 0..MOST_BREAKS {
            let sums = self.sums(&model);
            if !self.find_break(&mut model, &sums) {
                break;
            }
            for _ in 0..2 {
                self.down_weight(&model);
                shift = self.follow(&mut model, shift);
                self.place_breaks(&mut model);
            }
        }
        loop {
            let sums = self.sums(&model);
            if !self.drop_break(&mut model, &sums) {
                break;
            }
            shift = self.follow(&mut model, shift);
        }
        for round in 0..3 {
            self.down_weight(&model);
            let mut sums = self.sums(&model);
            shift = self.update_phase(&mut model, &mut sums, shift);
            fit.parameters = self.update_amplitudes(&mut model, &sums);
            fit.noise = sums.noise;
            debug(|| {
                format!(
                    "round {round} orders {} shift {shift:.2e} gain {:?} own {} pieces {}",
                    model.orders.len(),
                    model.gain.iter().copied().fold(f64::INFINITY, f64::min),
                    model.deviations.iter().filter(|d| !d.is_empty()).count(),
                    model.constants.len()
                )
            });
        }
        fit.model = model;
        fit.weights = self.weights;
        fit
    }

    /// One round of phase and constants; returns the usual shift of the phase.
    fn follow(&mut self, model: &mut HumModel, last_shift: f64) -> f64 {
        let mut sums = self.sums(model);
        let shift = self.update_phase(model, &mut sums, last_shift);
        let (left, right) = whole_sums(model, &sums);
        solve_constants(model, &sums, &left, &right);
        debug(|| format!("follow {shift:e}"));
        shift
    }

    fn barred(&self, model: &HumModel, doubt_hz: f64) -> Vec<usize> {
        let duration = self.x.len() as f64 / self.settings.rate_hz;
        let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
        self.settings.barred(cycles / duration, doubt_hz, duration)
    }

    fn place_breaks(&mut self, model: &mut HumModel) {
        for at in 1..model.intervals() {
            if model.piece[at] != model.piece[at - 1] {
                self.place_break(model, at);
            }
        }
        self.respace(model);
    }

    /// Which orders stand above the noise beside them.
    fn detect(&mut self, model: &mut HumModel) -> (Vec<usize>, f64) {
        let top = self.settings.highest_order;
        self.update_residual(model);
        let groups = group_bounds(model.intervals());
        let count = groups.len() - 1;
        let mut phasors = vec![vec![(Complex64::default(), 0.0); count]; top];
        let known: Vec<Option<usize>> = (1..=top)
            .map(|k| model.orders.iter().position(|o| *o == k))
            .collect();
        let mut group = 0;
        fold(model, &self.residual, self.weights.as_deref(), top, |f| {
            while f.interval >= groups[group + 1] {
                group += 1;
            }
            let mass = total(f.gram);
            for (k, cells) in phasors.iter_mut().enumerate() {
                let cell = &mut cells[group];
                cell.0 += f.left[k + 1] + f.right[k + 1];
                cell.1 += mass;
            }
        });
        let mut noise: Vec<f64> = phasors.iter().map(|g| noise_of_groups(g)).collect();
        pool(&mut noise, count);
        let degrees = (0.66 * (count.max(2) - 1) as f64) * if count < 16 { 4.0 } else { 1.0 };
        let ratios: Vec<f64> = phasors
            .iter()
            .enumerate()
            .map(|(k, cells)| {
                let (sum, mass) = cells
                    .iter()
                    .fold((Complex64::default(), 0.0), |(s, m), c| (s + c.0, m + c.1));
                let present = known[k].map_or(Complex64::default(), |o| model.constants[0][o]);
                let mass = f64::max(mass, 1e-300);
                (sum / mass + present).norm_sqr() * mass / noise[k].max(1e-300)
            })
            .collect();
        let chance = |ratio: f64| (1.0 + ratio / degrees).powf(-degrees);
        let duration = self.x.len() as f64 / self.settings.rate_hz;
        let tried = 1.0 + duration;
        let lowest = ratios
            .iter()
            .take(3)
            .map(|r| chance(*r))
            .fold(1.0, f64::min);
        let together: f64 = ratios.iter().take(12).map(|r| r.min(9.0)).sum();
        let false_alarm = (tried * 3.0 * lowest)
            .min(tried * gamma_tail(ratios.len().min(12), together))
            .min(1.0);
        debug(|| {
            format!(
                "detect {false_alarm:e} {:?}",
                ratios
                    .iter()
                    .take(14)
                    .map(|r| *r as i64)
                    .collect::<Vec<_>>()
            )
        });
        if false_alarm > 0.01 {
            return (Vec::new(), false_alarm);
        }
        let barred = self.barred(model, 0.0);
        // Family-wise 1 % over all orders; below the highest so found, 1 % each.
        let chances: Vec<f64> = ratios.iter().map(|r| chance(*r)).collect();
        let strict = 0.01 / top as f64;
        let highest = chances
            .iter()
            .rposition(|p| *p < strict)
            .map_or(0, |k| k + 1);
        let orders = (1..=top)
            .filter(|k| {
                let p = chances[k - 1];
                (p < strict || (*k <= highest + 4 && p < 0.01)) && !barred.contains(k)
            })
            .collect();
        (orders, false_alarm)
    }

    /// Gives no weight to samples far from what noise does, unless they come with the mains cycle.
    fn down_weight(&mut self, model: &HumModel) {
        const FAR: f64 = 4.5;
        const BINS: usize = 128;
        self.update_residual(model);
        let n = self.x.len();
        let stride = (n / 20_000).max(1);
        let mut sizes: Vec<f64> = (0..n)
            .step_by(stride)
            .filter(|i| self.missing.as_ref().is_none_or(|w| w[*i] > 0.0))
            .map(|i| self.residual[i].abs())
            .collect();
        if sizes.len() < 16 {
            return;
        }
        let middle = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
        // Median of |x| of a normal variable: 0.6745 standard deviations.
        let limit = FAR * *median / 0.6745;
        let bin = |interval: usize, i: usize| {
            let cycles = model.phase[interval]
                + model.cycles_per_sample(interval) * (i - model.edges[interval]) as f64;
            ((cycles.rem_euclid(1.0) * BINS as f64) as usize).min(BINS - 1)
        };
        let (mut far, mut all) = (vec![0.0; BINS], vec![0.0; BINS]);
        let mut count = 0usize;
        for interval in 0..model.intervals() {
            for i in model.edges[interval]..model.edges[interval + 1] {
                if i % stride.min(4) == 0 {
                    all[bin(interval, i)] += 1.0;
                }
                if self.residual[i].abs() > limit {
                    count += 1;
                    if i % stride.min(4) == 0 {
                        far[bin(interval, i)] += 1.0;
                    }
                }
            }
        }
        self.weights.clone_from(&self.missing);
        if count == 0 || count * 4 > n {
            return;
        }
        let mut weights = self.missing.clone().unwrap_or_else(|| vec![1.0; n]);
        let mut run: Option<(usize, usize)> = None;
        let close = |weights: &mut Vec<f32>, (from, to): (usize, usize)| {
            let margin = 1 + (to - from) / 3;
            weights[from.saturating_sub(margin)..(to + margin).min(n)].fill(0.0);
        };
        for interval in 0..model.intervals() {
            for i in model.edges[interval]..model.edges[interval + 1] {
                if self.residual[i].abs() <= limit {
                    continue;
                }
                let b = bin(interval, i);
                if far[b] > 0.3 * all[b] {
                    continue;
                }
                run = match run {
                    Some((from, to)) if i <= to + self.cycle / 16 => Some((from, i + 1)),
                    Some(done) => {
                        close(&mut weights, done);
                        Some((i, i + 1))
                    }
                    None => Some((i, i + 1)),
                };
            }
        }
        if let Some(done) = run {
            close(&mut weights, done);
        }
        self.weights = Some(weights);
    }

    fn shortest(&self, bandwidth_hz: f64) -> f64 {
        (1.0 / (2.0 * PI * bandwidth_hz * self.interval_s)).max(0.7)
    }

    /// One Gauss-Newton step of the phase track, smoothed; returns the largest usual shift.
    fn update_phase(&self, model: &mut HumModel, sums: &mut Sums, last_shift: f64) -> f64 {
        let edges = model.edges.len();
        let mut gram = Banded::zeros(edges);
        let mut rhs = vec![0.0; edges];
        let reach = (0.11 / last_shift).max(1.5);
        for (o, &order) in model.orders.iter().enumerate() {
            if order as f64 > reach {
                continue;
            }
            let slope = 2.0 * PI * order as f64;
            let scale = 2.0 / sums.noise[o];
            for i in 0..model.intervals() {
                let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
                rhs[i] += scale * slope * (a.conj() * sums.left[i * sums.orders + o]).im;
                rhs[i + 1] += scale * slope * (b.conj() * sums.right[i * sums.orders + o]).im;
                let power = 0.5 * (a.norm_sqr() + b.norm_sqr());
                gram.add_interval(i, sums.gram(i, o), scale * slope * slope * power);
            }
        }
        if gram.mean_diagonal() <= 0.0 {
            return last_shift;
        }
        for (r, g) in rhs.iter_mut().zip(gram.multiply(&model.phase)) {
            *r += g;
        }
        let line = straight(&model.phase, &self.spacing);
        for (r, g) in rhs.iter_mut().zip(gram.multiply(&line)) {
            *r -= g;
        }
        let data = TrackData {
            gram: &gram,
            rhs: std::slice::from_ref(&rhs),
            spacing: &self.spacing,
        };
        let smoothed = robust_best(&data, Roughness::Slope, self.shortest(PHASE_BANDWIDTH_HZ));
        debug(|| {
            format!(
                "   phase parameters {} ratio {:e} knots {}",
                smoothed.parameters,
                (smoothed.ratio / gram.mean_diagonal()).powf(0.25),
                edges
            )
        });
        let mut shifts: Vec<f64> = smoothed.tracks[0]
            .iter()
            .zip(&line)
            .zip(&model.phase)
            .map(|((s, l), p)| s + l - p)
            .collect();
        // A shift of the whole is the constants' business.
        let mean = shifts.iter().sum::<f64>() / edges as f64;
        for (shift, p) in shifts.iter_mut().zip(&mut model.phase) {
            *shift -= mean;
            *p += *shift;
        }
        for i in 0..model.intervals() {
            for (o, &order) in model.orders.iter().enumerate() {
                let turn = Complex64::new(0.0, 2.0 * PI * order as f64);
                let a = model.amplitude(o, i, i) * turn * shifts[i];
                let b = model.amplitude(o, i, i + 1) * turn * shifts[i + 1];
                let [aa, ab, bb] = sums.gram(i, o);
                sums.left[i * sums.orders + o] -= a * aa + b * ab;
                sums.right[i * sums.orders + o] -= a * ab + b * bb;
            }
        }
        (shifts.iter().map(|s| s * s).sum::<f64>() / edges as f64)
            .sqrt()
            .max(1e-6)
    }

    /// Constants, common gain and own deviations from the sums; returns parameters per order.
    fn update_amplitudes(&self, model: &mut HumModel, sums: &Sums) -> Vec<f64> {
        let (left, right) = whole_sums(model, sums);
        let n = sums.orders;
        solve_constants(model, sums, &left, &right);
        let mut parameters = vec![model.constants.len() as f64; n];
        if model.intervals() < 8 {
            return parameters;
        }
        self.update_gain(model, sums, &left, &right);
        let edges = model.edges.len();
        // Deviations of their own.
        for o in 0..n {
            let plain = gram_of(sums, o);
            let mut sides = [vec![0.0; edges], vec![0.0; edges]];
            for i in 0..model.intervals() {
                let c = model.constants[model.piece[i]][o];
                let [aa, ab, bb] = sums.gram(i, o);
                let (ga, gb) = (model.gain[i], model.gain[i + 1]);
                let l = left[i * n + o] - c * (aa * ga + ab * gb);
                let r = right[i * n + o] - c * (ab * ga + bb * gb);
                sides[0][i] += l.re;
                sides[1][i] += l.im;
                sides[0][i + 1] += r.re;
                sides[1][i + 1] += r.im;
            }
            let data = TrackData {
                gram: &plain,
                rhs: &sides,
                spacing: &self.spacing,
            };
            let smoothed = best_of_both(&data, self.shortest(OWN_BANDWIDTH_HZ));
            if smoothed.parameters > 1.6 {
                parameters[o] += smoothed.parameters;
                model.deviations[o] = smoothed.tracks[0]
                    .iter()
                    .zip(&smoothed.tracks[1])
                    .map(|(re, im)| Complex64::new(*re, *im))
                    .collect();
            } else {
                model.deviations[o].clear();
            }
        }
        parameters
    }

    /// Gain common to all orders, and the constants under it.
    fn update_gain(
        &self,
        model: &mut HumModel,
        sums: &Sums,
        left: &[Complex64],
        right: &[Complex64],
    ) {
        let n = sums.orders;
        model.gain.fill(1.0);
        solve_constants(model, sums, left, right);
        let edges = model.edges.len();
        let mut gram = Banded::zeros(edges);
        let mut rhs = vec![0.0; edges];
        for o in 0..n {
            let scale = 2.0 / sums.noise[o];
            for i in 0..model.intervals() {
                let c = model.constants[model.piece[i]][o];
                rhs[i] += scale * (c.conj() * left[i * n + o]).re;
                rhs[i + 1] += scale * (c.conj() * right[i * n + o]).re;
                gram.add_interval(i, sums.gram(i, o), scale * c.norm_sqr());
            }
        }
        if gram.mean_diagonal() > 0.0 {
            let data = TrackData {
                gram: &gram,
                rhs: std::slice::from_ref(&rhs),
                spacing: &self.spacing,
            };
            let shortest = self.shortest(GAIN_BANDWIDTH_HZ);
            let smoothed = best_of_both(&data, shortest);
            if smoothed.parameters < 1.6 {
                model.gain.fill(1.0);
            } else {
                let mean = smoothed.tracks[0].iter().sum::<f64>() / edges as f64;
                for (g, s) in model.gain.iter_mut().zip(&smoothed.tracks[0]) {
                    *g = s / mean;
                }
            }
            solve_constants(model, sums, left, right);
        }
    }

    /// Splits a piece where all amplitudes change at once; returns whether it did.
    fn find_break(&mut self, model: &mut HumModel, sums: &Sums) -> bool {
        if model.constants.len() > MOST_BREAKS {
            return false;
        }
        let n = sums.orders;
        let narrowest = ((NARROWEST_PIECE_S / self.interval_s).ceil() as usize).max(10);
        let (left, right) = whole_sums(model, sums);
        let mut best: Option<(f64, usize)> = None;
        for piece in 0..model.constants.len() {
            let span: Vec<usize> = (0..model.intervals())
                .filter(|i| model.piece[*i] == piece)
                .collect();
            if span.len() < 2 * narrowest {
                continue;
            }
            let (start, end) = (span[0], span[0] + span.len());
            let mut before = vec![(Complex64::default(), 0.0); n];
            let mut whole = before.clone();
            for i in start..end {
                for (o, w) in whole.iter_mut().enumerate() {
                    w.0 += left[i * n + o] + right[i * n + o];
                    w.1 += total(sums.gram(i, o));
                }
            }
            for i in start..end {
                let changes: Vec<(Complex64, f64)> = before
                    .iter()
                    .zip(&whole)
                    .map(|(b, w)| {
                        let rest = w.1 - b.1;
                        if b.1 <= 0.0 || rest <= 0.0 {
                            return (Complex64::default(), 0.0);
                        }
                        ((w.0 - b.0) / rest - b.0 / b.1, b.1 * rest / w.1)
                    })
                    .collect();
                let statistic = worth_of_change(model, piece, &changes, &sums.noise);
                let inside = i >= start + narrowest && i + narrowest <= end;
                if inside && best.is_none_or(|b| statistic > b.0) {
                    best = Some((statistic, i));
                }
                for (o, b) in before.iter_mut().enumerate() {
                    b.0 += left[i * n + o] + right[i * n + o];
                    b.1 += total(sums.gram(i, o));
                }
            }
        }
        let Some((statistic, at)) = best else {
            return false;
        };
        let limit = break_limit(n, model.intervals());
        if statistic < limit || !is_sharp(model, sums, &left, &right, at) {
            return false;
        }
        let mut split = model.clone();
        split_piece(&mut split, at);
        for deviation in &mut split.deviations {
            deviation.clear();
        }
        split.gain.fill(1.0);
        solve_constants(&mut split, sums, &left, &right);
        let mut whole = model.clone();
        for deviation in &mut whole.deviations {
            deviation.clear();
        }
        self.update_gain(&mut whole, sums, &left, &right);
        let (with, without) = (
            explained(&split, sums, &left, &right),
            explained(&whole, sums, &left, &right),
        );
        debug(|| {
            format!("   break at {at} statistic {statistic:.1} explained {with:.1} {without:.1}")
        });
        if with < without + n as f64 + 10.0 {
            return false;
        }
        self.place_break(&mut split, at);
        *model = split;
        self.respace(model);
        true
    }

    /// Joins the two pieces whose difference is least worth its parameters, if there are such.
    fn drop_break(&self, model: &mut HumModel, sums: &Sums) -> bool {
        let n = sums.orders;
        let worth = |piece: usize| -> f64 {
            let mut mass = [vec![0.0; n], vec![0.0; n]];
            for i in 0..model.intervals() {
                if let Some(side) = model.piece[i].checked_sub(piece).filter(|s| *s < 2) {
                    for (o, m) in mass[side].iter_mut().enumerate() {
                        *m += total(sums.gram(i, o));
                    }
                }
            }
            let changes: Vec<(Complex64, f64)> = (0..n)
                .map(|o| {
                    let change = model.constants[piece + 1][o] - model.constants[piece][o];
                    let (m1, m2) = (mass[0][o], mass[1][o]);
                    (change, m1 * m2 / f64::max(m1 + m2, 1.0))
                })
                .collect();
            worth_of_change(model, piece, &changes, &sums.noise)
        };
        let least = (0..model.constants.len() - 1)
            .map(|p| (worth(p), p))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((value, piece)) = least else {
            return false;
        };
        if value > break_limit(n, model.intervals()) {
            return false;
        }
        model.constants.remove(piece + 1);
        for p in &mut model.piece {
            if *p > piece {
                *p -= 1;
            }
        }
        true
    }

    /// Moves the edge of a break to the sample at which the residual is least.
    fn place_break(&self, model: &mut HumModel, at: usize) {
        let (first, end) = (at.saturating_sub(3), (at + 3).min(model.intervals()));
        let (from, to) = (model.edges[first], model.edges[end]);
        let side = |piece: usize| {
            let mut all = model.clone();
            all.piece[first..end].fill(piece);
            let mut out = self.x[from..to].to_vec();
            all.subtract(&mut out, first, end);
            out
        };
        let (before, after) = (side(model.piece[at - 1]), side(model.piece[at]));
        let level = before
            .iter()
            .zip(&after)
            .map(|(a, b)| 0.5 * (a + b))
            .sum::<f64>()
            / before.len() as f64;
        let (mut sum, mut least, mut place) = (0.0, 0.0, 0);
        for (i, (b, a)) in before.iter().zip(&after).enumerate() {
            if sum < least {
                (least, place) = (sum, i);
            }
            sum += (b - level).powi(2) - (a - level).powi(2);
        }
        if sum < least {
            place = before.len();
        }
        let sample = from + place;
        // The nearest edge moves there; what lies between it and the old break changes sides.
        let inner = first + 1..end;
        let Some(edge) = inner.min_by_key(|e| model.edges[*e].abs_diff(sample)) else {
            return;
        };
        if sample <= model.edges[edge - 1] + 1 || sample + 1 >= model.edges[edge + 1] {
            return;
        }
        let (early, late) = (model.piece[at - 1], model.piece[at]);
        for i in first..end {
            model.piece[i] = if i < edge { early } else { late };
        }
        let interval = if sample < model.edges[edge] {
            edge - 1
        } else {
            edge
        };
        let phase = model.phase[interval]
            + model.cycles_per_sample(interval) * (sample - model.edges[interval]) as f64;
        model.edges[edge] = sample;
        model.phase[edge] = phase;
    }
}

/// What a change of all amplitudes explains beyond a shift of the phase, less the largest share of
/// a single order: a load changes many, and the phase track has its own way to move.
fn worth_of_change(
    model: &HumModel,
    piece: usize,
    changes: &[(Complex64, f64)],
    noise: &[f64],
) -> f64 {
    let (mut sum, mut largest) = (0.0, 0.0f64);
    let (mut along, mut length) = (0.0, 1e-300);
    for (o, ((change, mass), s)) in changes.iter().zip(noise).enumerate() {
        let share = change.norm_sqr() * mass / s;
        sum += share;
        largest = largest.max(share);
        let turn = model.constants[piece][o] * Complex64::new(0.0, model.orders[o] as f64);
        along += (turn.conj() * change).re * mass / s;
        length += turn.norm_sqr() * mass / s;
    }
    sum - along * along / length - if changes.len() > 2 { largest } else { 0.0 }
}

/// What a break must explain: a gamma variable's mean, five of its deviations, and the choice.
fn break_limit(orders: usize, intervals: usize) -> f64 {
    let count = orders as f64;
    count + 5.0 * count.sqrt() + 2.0 * (intervals as f64).ln() + 10.0
}

/// Whether amplitudes close before and after differ by most of what they differ farther away.
fn is_sharp(
    model: &HumModel,
    sums: &Sums,
    left: &[Complex64],
    right: &[Complex64],
    at: usize,
) -> bool {
    let n = sums.orders;
    let mean = |from: usize, to: usize, o: usize| {
        let (mut sum, mut mass) = (Complex64::default(), 1e-300);
        for i in from..to {
            sum += left[i * n + o] + right[i * n + o];
            mass += total(sums.gram(i, o));
        }
        sum / mass
    };
    let piece = model.piece[at];
    let start = (0..at)
        .rev()
        .take_while(|i| model.piece[*i] == piece)
        .last()
        .unwrap_or(at);
    let end = (at..model.intervals())
        .take_while(|i| model.piece[*i] == piece)
        .count()
        + at;
    let wide = (at - start)
        .min(end - at)
        .min((model.intervals() / 8).max(5));
    let near = 3.min(wide);
    let (mut projected, mut whole) = (0.0, 0.0);
    for o in 0..n {
        let far = mean(at, at + wide, o) - mean(at - wide, at, o);
        let close = mean(at + 1, at + 1 + near, o) - mean(at - 1 - near.min(at - 1), at - 1, o);
        projected += (far.conj() * close).re / sums.noise[o];
        whole += far.norm_sqr() / sums.noise[o];
    }
    projected > 0.6 * whole
}

fn split_piece(model: &mut HumModel, at: usize) {
    let piece = model.piece[at];
    for (i, p) in model.piece.iter_mut().enumerate() {
        if *p > piece || (*p == piece && i >= at) {
            *p += 1;
        }
    }
    let copy = model.constants[piece].clone();
    model.constants.insert(piece, copy);
}

/// Likelihood gained over no hum at all, in units of one complex parameter.
fn explained(model: &HumModel, sums: &Sums, left: &[Complex64], right: &[Complex64]) -> f64 {
    let n = sums.orders;
    let mut gained = 0.0;
    for i in 0..model.intervals() {
        for o in 0..n {
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            let [aa, ab, bb] = sums.gram(i, o);
            let linear = 2.0 * (a.conj() * left[i * n + o] + b.conj() * right[i * n + o]).re;
            let square = aa * a.norm_sqr() + 2.0 * ab * (a.conj() * b).re + bb * b.norm_sqr();
            gained += (linear - square) / sums.noise[o];
        }
    }
    gained
}

/// Samples far from what the median says of the noise.
///
/// With `peaks_only` no more than the highest: a pulse that the fit has smeared over all cycles
/// must go before its echoes can be judged.
pub(super) fn far_samples(
    residual: &[f64],
    missing: Option<&[f32]>,
    cycle: usize,
    peaks_only: bool,
) -> Vec<bool> {
    const FAR: f64 = 5.0;
    let used = |i: usize| missing.is_none_or(|w| w[i] > 0.0);
    let mut sizes: Vec<f64> = (0..residual.len())
        .filter(|i| used(*i))
        .map(|i| residual[i].abs())
        .collect();
    let mut far = vec![false; residual.len()];
    if sizes.len() < 16 {
        return far;
    }
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    let mut limit = FAR * *median / 0.6745;
    if peaks_only {
        limit = limit.max(0.3 * sizes.iter().copied().fold(0.0, f64::max));
    }
    let margin = cycle / 40 + 1;
    let mut count = 0;
    for (i, r) in residual.iter().enumerate() {
        if used(i) && r.abs() > limit {
            let to = (i + margin + 1).min(far.len());
            far[i.saturating_sub(margin)..to].fill(true);
            count += 1;
        }
    }
    if count * 5 > residual.len() {
        far.fill(false);
    }
    far
}

fn gram_of(sums: &Sums, o: usize) -> Banded {
    let mut gram = Banded::zeros(sums.gram.len() + 1);
    for i in 0..sums.gram.len() {
        gram.add_interval(i, sums.gram(i, o), 1.0);
    }
    gram
}

/// Gives up the intervals of an order in which far more stands than usual: something else passes.
fn distrust(sums: &mut Sums) {
    const LIMIT: f64 = 14.0;
    const TAIL: f64 = 2.5;
    let (n, intervals) = (sums.orders, sums.gram.len());
    let mut trust = vec![1.0f32; n * intervals];
    let mut flagged = vec![false; n * intervals];
    let (mut powers, mut usual) = (Vec::with_capacity(n), Vec::with_capacity(n));
    for o in 0..n {
        let series: Vec<f64> = (0..intervals)
            .map(|i| {
                let sum = sums.left[i * n + o] + sums.right[i * n + o];
                sum.norm_sqr() / total(sums.gram[i]).max(1e-300)
            })
            .collect();
        let mut sorted = series.clone();
        let middle = intervals / 2;
        let (_, median, _) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let median = *median / std::f64::consts::LN_2;
        for (i, power) in series.iter().enumerate() {
            flagged[i * n + o] = *power > LIMIT * median;
        }
        powers.push(series);
        usual.push(median);
    }
    // What changes many orders at once is the hum itself.
    if n >= 4 {
        for interval in flagged.chunks_mut(n) {
            if interval.iter().filter(|f| **f).count() * 5 > 2 * n {
                interval.fill(false);
            }
        }
    }
    for o in 0..n {
        let high: Vec<usize> = (0..intervals).filter(|i| flagged[*i * n + o]).collect();
        if high.len() * 5 > intervals * 2 {
            continue;
        }
        for i in high {
            let raised = |j: usize| powers[o][j] > TAIL * usual[o];
            let mut from = i;
            while from > 0 && raised(from - 1) {
                from -= 1;
            }
            let mut to = i + 1;
            while to < intervals && raised(to) {
                to += 1;
            }
            for j in from.saturating_sub(3)..(to + 3).min(intervals) {
                trust[j * n + o] = 0.0;
            }
        }
    }
    for (i, t) in trust.iter().enumerate() {
        if *t == 0.0 {
            sums.left[i] = Complex64::default();
            sums.right[i] = Complex64::default();
        }
    }
    sums.trust = trust;
}

fn total(gram: [f64; 3]) -> f64 {
    gram[0] + 2.0 * gram[1] + gram[2]
}

fn group_bounds(intervals: usize) -> Vec<usize> {
    let groups = (intervals / 2).clamp(1, GROUPS);
    (0..=groups).map(|g| g * intervals / groups).collect()
}

fn noise_of_groups(groups: &[(Complex64, f64)]) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for pair in groups.windows(2) {
        let ((a, m), (b, n)) = (pair[0], pair[1]);
        if m > 0.0 && n > 0.0 {
            sum += (a / m - b / n).norm_sqr() / (1.0 / m + 1.0 / n);
            count += 1.0;
        }
    }
    if count > 0.0 { sum / count } else { 0.0 }
}

/// With few groups the noise of an order is scarcely known: takes the neighbours' median.
fn pool(noise: &mut [f64], groups: usize) {
    if groups < 16 && noise.len() > 2 {
        let raw = noise.to_vec();
        for (i, value) in noise.iter_mut().enumerate() {
            let from = i.saturating_sub(3);
            let mut near = raw[from..(i + 4).min(raw.len())].to_vec();
            let middle = near.len() / 2;
            let (_, median, _) = near.select_nth_unstable_by(middle, f64::total_cmp);
            *value = *median;
        }
    }
    for value in noise.iter_mut() {
        *value = value.max(1e-300);
    }
}

/// Upper tail of a gamma variable of integer shape.
fn gamma_tail(shape: usize, x: f64) -> f64 {
    let mut term = (-x).exp();
    let mut sum = 0.0;
    for i in 0..shape {
        if i > 0 {
            term *= x / i as f64;
        }
        sum += term;
    }
    sum
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

/// Sums as they would be had the model not been subtracted.
fn whole_sums(model: &HumModel, sums: &Sums) -> (Vec<Complex64>, Vec<Complex64>) {
    let n = sums.orders;
    let (mut left, mut right) = (sums.left.clone(), sums.right.clone());
    for i in 0..model.intervals() {
        for o in 0..n {
            let [aa, ab, bb] = sums.gram(i, o);
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            left[i * n + o] += a * aa + b * ab;
            right[i * n + o] += a * ab + b * bb;
        }
    }
    (left, right)
}

fn solve_constants(model: &mut HumModel, sums: &Sums, left: &[Complex64], right: &[Complex64]) {
    let n = sums.orders;
    let pieces = model.constants.len();
    let mut mass = vec![vec![0.0; n]; pieces];
    let mut into = vec![vec![Complex64::default(); n]; pieces];
    for i in 0..model.intervals() {
        let (ga, gb) = (model.gain[i], model.gain[i + 1]);
        let piece = model.piece[i];
        for o in 0..n {
            let [aa, ab, bb] = sums.gram(i, o);
            mass[piece][o] += aa * ga * ga + 2.0 * ab * ga * gb + bb * gb * gb;
            into[piece][o] += left[i * n + o] * ga + right[i * n + o] * gb;
        }
    }
    for ((constants, sums), mass) in model.constants.iter_mut().zip(&into).zip(&mass) {
        for ((c, s), mass) in constants.iter_mut().zip(sums).zip(mass) {
            *c = if *mass > 0.0 {
                s / *mass
            } else {
                Complex64::default()
            };
        }
    }
}

/// The straight line through a track's ends.
fn straight(track: &[f64], spacing: &[f64]) -> Vec<f64> {
    let (first, last) = (track[0], track[track.len() - 1]);
    let whole: f64 = spacing.iter().sum();
    let mut at = 0.0;
    let mut line = vec![first];
    for h in spacing {
        at += h;
        line.push(first + (last - first) * at / whole);
    }
    line
}

/// The likelier of a random walk and an integrated one; the plain constant unless beaten clearly.
fn best_of_both(data: &TrackData<'_>, shortest: f64) -> Smoothed {
    let terms = Roughness::Level.terms(data.spacing.len());
    let flat_ratio = 64.0 * data.gram.mean_diagonal() * (data.gram.len() as f64).powi(2);
    let energy: f64 = {
        let factor = data.gram.factor();
        data.rhs.iter().map(|b| dot(b, &factor.solve(b))).sum()
    };
    let flat = data.at_ratio(Roughness::Level, &vec![1.0; terms], flat_ratio, energy);
    let level = data.best(Roughness::Level, &vec![1.0; terms], shortest);
    if level.log_likelihood < flat.log_likelihood + OWN_TRACK_GAIN {
        return flat;
    }
    let terms = Roughness::Slope.terms(data.spacing.len());
    let slope = data.best(Roughness::Slope, &vec![1.0; terms], shortest);
    // Both restricted likelihoods are of the same data but for the line's slope; the fewer
    // parameters decide between equals.
    let cost = |s: &Smoothed| s.noise.ln() * data.gram.len() as f64 + 2.0 * s.parameters;
    if cost(&slope) < cost(&level) {
        slope
    } else {
        level
    }
}

/// Best smoothing whose walk may make rare large steps (Student's t by reweighting).
fn robust_best(data: &TrackData<'_>, roughness: Roughness, shortest: f64) -> Smoothed {
    let terms = roughness.terms(data.spacing.len());
    let mut weights = vec![1.0; terms];
    let mut smoothed = data.best(roughness, &weights, shortest);
    for _ in 0..6 {
        let differences = roughness.differences(&smoothed.tracks[0], data.spacing);
        let mut squares: Vec<f64> = differences.iter().map(|d| d * d).collect();
        if squares.is_empty() {
            break;
        }
        let middle = squares.len() / 2;
        let (_, median, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
        let scale = (*median / 0.455).max(1e-300);
        let mut changed = false;
        for (w, d) in weights.iter_mut().zip(&differences) {
            let excess = d * d / scale;
            let new = if excess > 16.0 { 16.0 / excess } else { 1.0 };
            changed |= new < 0.9 * *w;
            *w = new.min(*w);
        }
        if !changed {
            break;
        }
        smoothed = data.best(roughness, &weights, shortest);
    }
    smoothed
}
pub(super) fn debug(on: impl FnOnce() -> String) {
    if std::env::var("DBG").is_ok() {
        eprintln!("{}", on());
    }
}

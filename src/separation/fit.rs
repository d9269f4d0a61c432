//! Fit of the hum model: phase track from all harmonics together, amplitudes with a memory chosen
//! by the data, sudden changes, robust against what is not hum.

use super::banded::{Banded, Roughness};
use super::fold::{fold, remove_running_mean};
use super::lines::find_lines;
use super::model::HumModel;
use super::outliers::distrust;
use super::search::CoarseTrack;
use super::smoother::{Smoothed, TrackData, dot};
use crate::analysis::Cholesky;
use rustfft::num_complex::Complex64;
use std::borrow::Cow;
use std::f64::consts::PI;

/// Intervals of the mesh at most.
const INTERVALS: usize = 1600;
/// Groups of intervals that give the noise beside a line.
const GROUPS: usize = 32;
/// Fastest changes that tracks follow, Hz.
const PHASE_BANDWIDTH_HZ: f64 = 12.0;
const GAIN_BANDWIDTH_HZ: f64 = 4.0;
const OWN_BANDWIDTH_HZ: f64 = 2.0;
/// Power of an order's phasors over their noise from which it can be followed.
const CLEARLY: f64 = 10.0;
/// Gain of log-likelihood that a track of its own must bring.
const OWN_TRACK_GAIN: f64 = 6.0;
/// Independent tracks that search and smoothing choose from, a second: the factor by which the plain
/// tail probabilities fell short on white and pink noise of 0.3 to 30 s (measured).
const TRACKS: f64 = 1000.0;
pub(super) const MOST_BREAKS: usize = 12;

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

/// What stands above the noise beside it.
pub(super) struct Detection {
    pub(super) orders: Vec<usize>,
    /// Probability that a record without mains shows as much.
    false_alarm: f64,
}

/// Phasor sums of the selected orders on the mesh.
pub(super) struct Sums {
    pub(super) orders: usize,
    pub(super) left: Vec<Complex64>,
    pub(super) right: Vec<Complex64>,
    pub(super) gram: Vec<[f64; 3]>,
    pub(super) noise: Vec<f64>,
    /// Weight of every interval and order; empty where all count in full.
    pub(super) trust: Vec<f32>,
}

impl Sums {
    pub(super) fn gram(&self, interval: usize, o: usize) -> [f64; 3] {
        match self.trust.get(interval * self.orders + o) {
            Some(t) => self.gram[interval].map(|g| g * f64::from(*t)),
            None => self.gram[interval],
        }
    }
}

pub(super) struct Fitter<'a> {
    /// The record, and what of it is fitted: the record without narrow lines.
    pub(super) record: &'a [f64],
    pub(super) x: Cow<'a, [f64]>,
    pub(super) settings: &'a FitSettings,
    pub(super) residual: Vec<f64>,
    pub(super) weights: Option<Vec<f32>>,
    /// Weights 0 where samples are missing.
    pub(super) missing: Option<Vec<f32>>,
    pub(super) spacing: Vec<f64>,
    pub(super) cycle: usize,
    pub(super) interval_s: f64,
    /// Whether single intervals of single orders may be given up.
    pub(super) wary: bool,
}

/// Fits hum to `x`, starting from the search's track.
pub(super) fn fit(
    x: &[f64],
    missing: Option<Vec<f32>>,
    track: &CoarseTrack,
    settings: &FitSettings,
) -> Fit {
    let mut model = mesh(x.len(), track, settings.rate_hz);
    let mut fitter = Fitter::new(x, missing, &model, settings);
    let plain = model.clone();
    let starts = if fitter.align(&mut model) {
        vec![model, plain]
    } else {
        vec![plain]
    };
    fitter.run(starts)
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

impl<'a> Fitter<'a> {
    /// Starts on a record; `missing` has weight 0 where samples are missing.
    pub(super) fn new(
        x: &'a [f64],
        missing: Option<Vec<f32>>,
        model: &HumModel,
        settings: &'a FitSettings,
    ) -> Self {
        let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
        let mut fitter = Self {
            record: x,
            x: Cow::Borrowed(x),
            settings,
            residual: vec![0.0; x.len()],
            weights: missing.clone(),
            missing,
            spacing: Vec::new(),
            cycle: (x.len() as f64 / cycles.max(1.0)).round().max(1.0) as usize,
            interval_s: (x.len() as f64 / model.intervals().max(1) as f64) / settings.rate_hz,
            wary: false,
        };
        fitter.respace(model);
        fitter
    }

    pub(super) fn respace(&mut self, model: &HumModel) {
        let nominal = self.x.len() as f64 / model.intervals() as f64;
        self.spacing = model
            .edges
            .windows(2)
            .map(|e| (e[1] - e[0]) as f64 / nominal)
            .collect();
    }

    /// Residual of the model, less its running mean over a cycle.
    pub(super) fn update_residual(&mut self, model: &HumModel) {
        model.residual(&self.x, &mut self.residual);
        remove_running_mean(&mut self.residual, self.weights.as_deref(), self.cycle);
    }

    pub(super) fn sums(&mut self, model: &HumModel) -> Sums {
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
        sums.noise = noise(&sums, mean_power);
        sums
    }

    /// First, rough alignment of the phase track: interval groups tracked one after the other on a
    /// small grid of shifts, all low orders together. Returns whether there is anything to follow.
    fn align(&mut self, model: &mut HumModel) -> bool {
        let top = self.settings.highest_order.min(20);
        model.set_orders((1..=top).collect());
        let group = (0.08 / self.interval_s).round().max(1.0) as usize;
        let sums = self.sums(model);
        let intervals = model.intervals();
        let count = intervals.div_ceil(group);
        if count < 4 {
            return false;
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
                // Magnitudes, since a frequency that is off turns the phasors; their differences carry
                // half of the noise, as a chi-square variable of one degree of freedom.
                let mut changes: Vec<f64> = (1..count)
                    .map(|g| {
                        let size = |g: usize| phasors[g][o].norm() / f64::max(mass[g], 1.0);
                        (size(g) - size(g - 1)).powi(2)
                    })
                    .collect();
                let middle = changes.len() / 2;
                let (_, median, _) = changes.select_nth_unstable_by(middle, f64::total_cmp);
                (2.0 * std::f64::consts::LN_2 / 0.455 * *median).max(1e-300)
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
        if strength < CLEARLY {
            return false;
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
        true
    }

    fn run(mut self, starts: Vec<HumModel>) -> Fit {
        let mut fit = Fit::default();
        let low = self.settings.highest_order.min(20);
        let mut shift = 0.02;
        // What the alignment followed may be a foreign line: then the track shows no series, and the search's
        // own track is tried.
        let mut best: Option<(HumModel, Detection)> = None;
        for mut model in starts {
            let barred = self.barred(&model, 0.5);
            model.set_orders((1..=low).filter(|k| !barred.contains(k)).collect());
            shift = 0.02;
            for _ in 0..2 {
                shift = self.follow(&mut model, shift);
            }
            let found = self.detect(&mut model);
            let detected = !found.orders.is_empty();
            best = Some((model, found));
            if detected {
                break;
            }
        }
        let Some((mut model, found)) = best else {
            return fit;
        };
        let orders = found.orders;
        fit.false_alarm = found.false_alarm;
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
            for _ in 0..3 {
                self.down_weight(&model);
                shift = self.follow(&mut model, shift);
                self.place_breaks(&mut model);
            }
        }
        while model.constants.len() > 1 {
            let sums = self.sums(&model);
            if !self.drop_break(&mut model, &sums) {
                break;
            }
            shift = self.follow(&mut model, shift);
        }
        if self.set_lines_aside(&model) {
            for _ in 0..2 {
                shift = self.follow(&mut model, shift);
                self.set_lines_aside(&model);
            }
        }
        for _ in 0..3 {
            self.down_weight(&model);
            let mut sums = self.sums(&model);
            shift = self.update_phase(&mut model, &mut sums, shift);
            fit.parameters = self.update_amplitudes(&mut model, &sums);
            fit.noise = sums.noise;
        }
        // Once more without the samples that are not hum's: a train of pulses has lines of its own.
        fit.false_alarm = self.detect(&mut model).false_alarm;
        if fit.false_alarm > 0.01 {
            model.set_orders(Vec::new());
        }
        fit.model = model;
        fit.weights = self.weights;
        fit
    }

    /// One round of phase and constants; returns the usual shift of the phase.
    pub(super) fn follow(&mut self, model: &mut HumModel, last_shift: f64) -> f64 {
        let mut sums = self.sums(model);
        let shift = self.update_phase(model, &mut sums, last_shift);
        let (left, right) = whole_sums(model, &sums);
        solve_constants(model, &sums, &left, &right);
        shift
    }

    /// Takes narrow lines that are no hum out of what is fitted; returns whether there are any.
    fn set_lines_aside(&mut self, model: &HumModel) -> bool {
        let mut rest = vec![0.0; self.record.len()];
        model.residual(self.record, &mut rest);
        let weight = |i: usize| self.weights.as_ref().map_or(1.0, |w| f64::from(w[i]));
        let (sum, mass) = rest
            .iter()
            .enumerate()
            .fold((0.0, 1e-300), |(s, m), (i, r)| {
                (s + weight(i) * r, m + weight(i))
            });
        rest.iter_mut().for_each(|r| *r -= sum / mass);
        let rate = self.settings.rate_hz;
        let duration = rest.len() as f64 / rate;
        let frequencies = (0..model.intervals()).map(|i| model.cycles_per_sample(i) * rate);
        let (low, high) = frequencies.fold((f64::INFINITY, 0.0), |(low, high), f| {
            (f.min(low), f64::max(f, high))
        });
        let guard = (6.0 / duration).max(2.0);
        let lines = find_lines(&rest, self.weights.as_deref(), |cycles_per_sample| {
            let hz = cycles_per_sample * rate;
            let order = (hz / (0.5 * (low + high))).round();
            // What moves slower than half a cycle's mean is taken off before the fit.
            order < 1.0 || (hz > order * low - guard && hz < order * high + guard)
        });
        if lines.is_empty() {
            return false;
        }
        let mut without = self.record.to_vec();
        for line in &lines {
            line.put(&mut without, -1.0);
        }
        self.x = Cow::Owned(without);
        true
    }

    fn barred(&self, model: &HumModel, doubt_hz: f64) -> Vec<usize> {
        let duration = self.x.len() as f64 / self.settings.rate_hz;
        let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
        self.settings.barred(cycles / duration, doubt_hz, duration)
    }

    pub(super) fn place_breaks(&mut self, model: &mut HumModel) {
        for at in 1..model.intervals() {
            if model.piece[at] != model.piece[at - 1] {
                self.place_break(model, at);
            }
        }
        self.respace(model);
    }

    /// Which orders stand above the noise beside them.
    pub(super) fn detect(&mut self, model: &mut HumModel) -> Detection {
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
        let mut noise: Vec<f64> = phasors
            .iter()
            .map(|g| mean_power(&mut differences(g)))
            .collect();
        pool(&mut noise, count);
        let degrees = (0.66 * (count.max(2) - 1) as f64) * if count < 16 { 4.0 } else { 1.0 };
        let ratios: Vec<f64> = phasors
            .iter()
            .enumerate()
            .map(|(k, cells)| {
                let (sum, mass) = cells
                    .iter()
                    .fold((Complex64::default(), 0.0), |(s, m), c| (s + c.0, m + c.1));
                let present = known[k].map_or(Complex64::default(), |o| {
                    let pieces = model.constants.iter().map(|c| c[o]);
                    pieces.fold(Complex64::default(), |a, b| {
                        if b.norm_sqr() > a.norm_sqr() { b } else { a }
                    })
                });
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
        let false_alarm = (TRACKS * tried * 3.0 * lowest)
            .min(TRACKS * tried * gamma_tail(ratios.len().min(12), together))
            .min(1.0);
        if false_alarm > 0.01 {
            return Detection {
                orders: Vec::new(),
                false_alarm,
            };
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
        Detection {
            orders,
            false_alarm,
        }
    }

    pub(super) fn shortest(&self, bandwidth_hz: f64) -> f64 {
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
        let (smoothed, weights) =
            robust_best(&data, Roughness::Slope, self.shortest(PHASE_BANDWIDTH_HZ));
        let (track, turns) = turns_of_pieces(model, sums, &data, &smoothed, &weights, &line);
        let mut shifts: Vec<f64> = track
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
                let own = turns[model.piece[i]];
                let a = model.amplitude(o, i, i) * turn * (shifts[i] + own);
                let b = model.amplitude(o, i, i + 1) * turn * (shifts[i + 1] + own);
                let [aa, ab, bb] = sums.gram(i, o);
                sums.left[i * sums.orders + o] -= a * aa + b * ab;
                sums.right[i * sums.orders + o] -= a * ab + b * bb;
            }
        }
        for (constants, own) in model.constants.iter_mut().zip(&turns) {
            for (c, &order) in constants.iter_mut().zip(&model.orders) {
                *c *= Complex64::from_polar(1.0, 2.0 * PI * order as f64 * own);
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
            let (smoothed, free) = best_of_both(&data, self.shortest(OWN_BANDWIDTH_HZ));
            if free > 1.6 {
                parameters[o] += free;
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
    pub(super) fn update_gain(
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
            let (smoothed, free) = best_of_both(&data, shortest);
            if free < 1.6 {
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
}

/// Noise beside each order from differences of neighbouring groups of intervals.
pub(super) fn noise(sums: &Sums, reduce: fn(&mut [f64]) -> f64) -> Vec<f64> {
    let groups = group_bounds(sums.gram.len());
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
            reduce(&mut differences(&means))
        })
        .collect();
    pool(&mut noise, groups.len() - 1);
    noise
}

pub(super) fn gram_of(sums: &Sums, o: usize) -> Banded {
    let mut gram = Banded::zeros(sums.gram.len() + 1);
    for i in 0..sums.gram.len() {
        gram.add_interval(i, sums.gram(i, o), 1.0);
    }
    gram
}

pub(super) fn total(gram: [f64; 3]) -> f64 {
    gram[0] + 2.0 * gram[1] + gram[2]
}

fn group_bounds(intervals: usize) -> Vec<usize> {
    let groups = (intervals / 2).clamp(1, GROUPS);
    (0..=groups).map(|g| g * intervals / groups).collect()
}

/// Squared differences of neighbouring groups' phasors in units of one sample's noise.
fn differences(groups: &[(Complex64, f64)]) -> Vec<f64> {
    groups
        .windows(2)
        .filter_map(|pair| {
            let ((a, m), (b, n)) = (pair[0], pair[1]);
            (m > 0.0 && n > 0.0).then(|| (a / m - b / n).norm_sqr() / (1.0 / m + 1.0 / n))
        })
        .collect()
}

fn mean_power(powers: &mut [f64]) -> f64 {
    powers.iter().sum::<f64>() / powers.len().max(1) as f64
}

/// Mean of an exponential variable by its median, to which a few large values mean nothing.
pub(super) fn usual_power(powers: &mut [f64]) -> f64 {
    let middle = powers.len() / 2;
    if powers.is_empty() {
        return 0.0;
    }
    *powers.select_nth_unstable_by(middle, f64::total_cmp).1 / std::f64::consts::LN_2
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
pub(super) fn whole_sums(model: &HumModel, sums: &Sums) -> (Vec<Complex64>, Vec<Complex64>) {
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

pub(super) fn solve_constants(
    model: &mut HumModel,
    sums: &Sums,
    left: &[Complex64],
    right: &[Complex64],
) {
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
fn best_of_both(data: &TrackData<'_>, shortest: f64) -> (Smoothed, f64) {
    let terms = Roughness::Level.terms(data.spacing.len());
    let flat_ratio = 64.0 * data.gram.mean_diagonal() * (data.gram.len() as f64).powi(2);
    let energy: f64 = {
        let factor = data.gram.factor();
        data.rhs.iter().map(|b| dot(b, &factor.solve(b))).sum()
    };
    let flat = data.at_ratio(Roughness::Level, &vec![1.0; terms], flat_ratio, energy);
    let level = data.best(Roughness::Level, &vec![1.0; terms], shortest);
    if level.log_likelihood < flat.log_likelihood + OWN_TRACK_GAIN {
        return (flat, 1.0);
    }
    let of_level = data.parameters(Roughness::Level, &vec![1.0; terms], &level);
    let terms = Roughness::Slope.terms(data.spacing.len());
    let slope = data.best(Roughness::Slope, &vec![1.0; terms], shortest);
    let of_slope = data.parameters(Roughness::Slope, &vec![1.0; terms], &slope);
    // Both restricted likelihoods are of the same data but for the line's slope; the fewer
    // parameters decide between equals.
    let cost = |s: &Smoothed, p: f64| s.noise.ln() * data.gram.len() as f64 + 2.0 * p;
    if cost(&slope, of_slope) < cost(&level, of_level) {
        (slope, of_slope)
    } else {
        (level, of_level)
    }
}

/// The phase track together with a turn of every later piece's constants: after a sudden change the
/// phase of all of them is unknown, and the track must not bend to make up for it. Returns the track
/// about `line` and the turns, cycles.
fn turns_of_pieces(
    model: &HumModel,
    sums: &Sums,
    data: &TrackData<'_>,
    smoothed: &Smoothed,
    weights: &[f64],
    line: &[f64],
) -> (Vec<f64>, Vec<f64>) {
    let pieces = model.constants.len();
    let track = smoothed.tracks[0].clone();
    let mut turns = vec![0.0; pieces];
    if pieces < 2 {
        return (track, turns);
    }
    let edges = model.edges.len();
    // By later piece: its data's weight on every edge, and its pull on a turn.
    let mut shares = vec![vec![0.0; edges]; pieces - 1];
    let mut pulls = vec![0.0; pieces - 1];
    for i in 0..model.intervals() {
        let Some(piece) = model.piece[i].checked_sub(1) else {
            continue;
        };
        let moved = [i, i + 1].map(|e| track[e] + line[e] - model.phase[e]);
        for (o, &order) in model.orders.iter().enumerate() {
            let slope = 2.0 * PI * order as f64;
            let scale = 2.0 * slope / sums.noise[o];
            let (a, b) = (model.amplitude(o, i, i), model.amplitude(o, i, i + 1));
            let k = i * sums.orders + o;
            let pull = (a.conj() * sums.left[k] + b.conj() * sums.right[k]).im;
            let power = 0.5 * (a.norm_sqr() + b.norm_sqr());
            let [aa, ab, bb] = sums.gram(i, o).map(|g| g * scale * slope * power);
            shares[piece][i] += aa + ab;
            shares[piece][i + 1] += ab + bb;
            pulls[piece] += scale * pull - (aa + ab) * moved[0] - (ab + bb) * moved[1];
        }
    }
    let with_turns = TrackData {
        gram: data.gram,
        rhs: &shares,
        spacing: data.spacing,
    };
    let bends = with_turns
        .at_ratio(Roughness::Slope, weights, smoothed.ratio, 0.0)
        .tracks;
    let count = pieces - 1;
    let mut matrix = vec![0.0; count * count];
    for p in 0..count {
        for q in 0..=p {
            let own = if p == q { shares[p].iter().sum() } else { 0.0 };
            matrix[p * count + q] = own - dot(&shares[p], &bends[q]);
        }
    }
    let Some(factor) = Cholesky::new(count, matrix) else {
        return (track, turns);
    };
    factor.solve(&mut pulls);
    let mut track = track;
    for (turn, bend) in pulls.iter().zip(&bends) {
        for (t, b) in track.iter_mut().zip(bend) {
            *t -= turn * b;
        }
    }
    turns[1..].copy_from_slice(&pulls);
    (track, turns)
}

/// Best smoothing whose walk may make rare large steps (a redescending loss by reweighting), and the weights
/// of its steps.
fn robust_best(data: &TrackData<'_>, roughness: Roughness, shortest: f64) -> (Smoothed, Vec<f64>) {
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
            let new = if excess > 16.0 {
                (16.0 / excess).powi(2)
            } else {
                1.0
            };
            changed |= new < 0.9 * *w;
            *w = new.min(*w);
        }
        if !changed {
            break;
        }
        smoothed = data.best(roughness, &weights, shortest);
    }
    (smoothed, weights)
}

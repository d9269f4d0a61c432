//! Fit of the hum model: phase track from all harmonics together, amplitudes with a memory chosen
//! by the data, sudden changes, robust against what is not hum.

use super::amplitudes::solve_constants;
use super::breaks::MOST_BREAKS;
use super::detection::{Detection, FALSE_ALARM};
use super::fold::{fold, remove_running_mean};
use super::lines::find_lines;
use super::model::HumModel;
use super::oscillators::{add_sums, subtract, suits};
use super::outliers::distrust;
use super::prospect::OtherTone;
use super::search::CoarseTrack;
use super::sums::{Sums, mean_power, noise, whole_sums};
use std::borrow::Cow;
use std::f64::consts::PI;

/// Intervals of the mesh at most.
const INTERVALS: usize = 1600;

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
    /// Free parameters spent on the phase track.
    pub(super) track_parameters: f64,
    /// Narrow lines that are no hum and were set aside, cycles per sample.
    pub(super) lines: Vec<f64>,
    /// Tones beside an order that stay in the capture, and the order with them.
    pub(super) others: Vec<OtherTone>,
}

/// The work on one record; its steps stand in `alignment`, `detection`, `phase`, `amplitudes`, `breaks`
/// and `outliers`.
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
    /// Whether the sums of few orders may be had by turning phasors, and smoothing may try fewer memories.
    pub(super) quick: bool,
    /// Free parameters of the last phase track.
    pub(super) track_parameters: f64,
}

/// Fits hum to `x`, starting from the search's track.
pub(super) fn fit(
    x: &[f64],
    missing: Option<Vec<f32>>,
    track: &CoarseTrack,
    settings: &FitSettings,
) -> Fit {
    let duration = x.len() as f64 / settings.rate_hz;
    let cycles = (duration * track.nominal_hz / INTERVALS as f64).ceil();
    let mut model = mesh(x.len(), track, settings.rate_hz, cycles.max(1.0));
    let mut fitter = Fitter::new(x, missing, &model, settings);
    let plain = model.clone();
    let starts = if fitter.align(&mut model) {
        vec![model, plain]
    } else {
        vec![plain]
    };
    fitter.run(starts)
}

/// Lays out intervals of so many whole cycles of the coarse track.
pub(super) fn mesh(samples: usize, track: &CoarseTrack, rate: f64, cycles: f64) -> HumModel {
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
            quick: false,
            track_parameters: 0.0,
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
        if self.quick && suits(model) {
            self.residual.copy_from_slice(&self.x);
            subtract(model, &mut self.residual);
        } else {
            model.residual(&self.x, &mut self.residual);
        }
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
        let weights = self.weights.as_deref();
        if self.quick && suits(model) {
            add_sums(model, &self.residual, weights, &mut sums);
        } else {
            let top = model.orders.iter().copied().max().unwrap_or(1);
            fold(model, &self.residual, weights, top, |f| {
                sums.left.extend(model.orders.iter().map(|k| f.left[*k]));
                sums.right.extend(model.orders.iter().map(|k| f.right[*k]));
                sums.gram.push(f.gram);
            });
        }
        if self.wary {
            distrust(&mut sums);
        }
        sums.noise = noise(&sums, mean_power);
        sums
    }

    fn run(mut self, starts: Vec<HumModel>) -> Fit {
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
            let found = self.detect(&model);
            let detected = !found.orders.is_empty();
            best = Some((model, found));
            if detected {
                break;
            }
        }
        best.map_or_else(Fit::default, |(model, found)| {
            self.settle(model, found.orders, shift)
        })
    }

    /// Fits the orders that were found, from a track that follows the hum to `shift` cycles.
    pub(super) fn settle(mut self, mut model: HumModel, orders: Vec<usize>, mut shift: f64) -> Fit {
        let mut fit = Fit::default();
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
        fit.lines = self.set_lines_aside(&model);
        if !fit.lines.is_empty() {
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
            self.silence(&mut model, &sums);
            fit.noise = sums.noise;
            fit.track_parameters = self.track_parameters;
        }
        // Once more without the samples that are not hum's: a train of pulses has lines of its own.
        if self.detect(&model).false_alarm > FALSE_ALARM {
            model.set_orders(Vec::new());
        }
        fit.model = model;
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

    /// Takes narrow lines that are no hum out of what is fitted; returns their frequencies.
    fn set_lines_aside(&mut self, model: &HumModel) -> Vec<f64> {
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
            return Vec::new();
        }
        let mut without = self.record.to_vec();
        for line in &lines {
            line.put(&mut without, -1.0);
        }
        self.x = Cow::Owned(without);
        lines.iter().map(|line| line.frequency).collect()
    }

    pub(super) fn barred(&self, model: &HumModel, doubt_hz: f64) -> Vec<usize> {
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

    pub(super) fn shortest(&self, bandwidth_hz: f64) -> f64 {
        (1.0 / (2.0 * PI * bandwidth_hz * self.interval_s)).max(0.7)
    }
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

//! What the steps of a fit work on: the record without its narrow lines, its weights, and what a model leaves.

use super::amplitudes::solve_constants;
use super::outliers::{distrust, far_from_noise};
use super::phase::{PhaseStep, update_phase};
use super::smoother::Smoothing;
use crate::separation::fit::model::{
    HumModel, Sums, add_moments, add_sums, fold, noise, play, remove_running_mean, subtract, suits,
    whole_sums,
};
use std::borrow::Cow;

/// Shift of the highest order's phase, cycles, up to which sums follow it along a straight line.
const LINEAR: f64 = 0.5;

/// Whether hum and sums of steady amplitudes are had by turning phasors (of few orders) or from tables of a cycle, with fewer
/// memories tried; and whether single intervals of single orders may be given up.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Manner {
    pub(crate) quick: bool,
    pub(crate) wary: bool,
}

/// A record under fit.
pub(crate) struct Fitter<'a> {
    /// What is fitted: the record without narrow lines.
    pub(crate) x: Cow<'a, [f64]>,
    pub(crate) weights: Option<Vec<f32>>,
    /// Weights 0 where samples are missing.
    pub(crate) missing: Option<Vec<f32>>,
    pub(crate) smoothing: Smoothing,
    residual: Vec<f64>,
    means: Vec<f64>,
    /// Samples of a cycle.
    cycle: usize,
    manner: Manner,
}

impl<'a> Fitter<'a> {
    /// Starts on a record; `missing` has weight 0 where samples are missing.
    pub(crate) fn new(
        x: &'a [f64],
        missing: Option<Vec<f32>>,
        model: &HumModel,
        rate_hz: f64,
    ) -> Self {
        Self {
            x: Cow::Borrowed(x),
            residual: vec![0.0; x.len()],
            means: Vec::with_capacity(x.len()),
            weights: missing.clone(),
            missing,
            cycle: (x.len() as f64 / model.cycles().max(1.0)).round().max(1.0) as usize,
            smoothing: Smoothing::new(model, rate_hz),
            manner: Manner::default(),
        }
    }

    /// How the steps from here on are done.
    pub(crate) fn set_manner(&mut self, manner: Manner) {
        self.manner = manner;
        self.smoothing.quick = manner.quick;
    }

    /// Residual of the model, less its running mean over a cycle.
    pub(crate) fn residual(&mut self, model: &HumModel) -> &[f64] {
        if self.manner.quick && suits(model) {
            self.residual.copy_from_slice(&self.x);
            subtract(model, &mut self.residual);
        } else if self.manner.quick && !model.is_silent() && play(model, &mut self.residual) {
            for (rest, x) in self.residual.iter_mut().zip(&*self.x) {
                *rest = x - *rest;
            }
        } else {
            model.residual(&self.x, &mut self.residual);
        }
        remove_running_mean(
            &mut self.residual,
            self.weights.as_deref(),
            self.cycle,
            &mut self.means,
        );
        &self.residual
    }

    /// Phasor sums of what the model leaves.
    pub(crate) fn sums(&mut self, model: &HumModel) -> Sums {
        self.residual(model);
        let mut sums = Sums::empty(model.orders.len(), model.intervals());
        let weights = self.weights.as_deref();
        if self.manner.quick && suits(model) {
            add_sums(model, &self.residual, weights, &mut sums);
        } else if !(self.manner.quick && add_moments(model, &self.residual, weights, &mut sums)) {
            let top = model.orders.iter().copied().max().unwrap_or(1);
            fold(model, &self.residual, weights, top, |f| {
                sums.left.extend(model.orders.iter().map(|k| f.left[*k]));
                sums.right.extend(model.orders.iter().map(|k| f.right[*k]));
                sums.gram.push(f.gram);
            });
        }
        if self.manner.wary {
            distrust(&mut sums, &model.piece);
        }
        let beside = noise(&sums);
        (sums.noise, sums.pairs, sums.usual) = (beside.mean, beside.pairs, beside.usual);
        sums
    }

    /// One round of phase and constants; returns the usual shift of the phase.
    pub(crate) fn follow(&mut self, model: &mut HumModel, last_shift: f64) -> f64 {
        let mut sums = self.sums(model);
        let PhaseStep {
            shift, farthest, ..
        } = update_phase(model, &mut sums, &self.smoothing, last_shift);
        let highest = model.orders.iter().copied().max().unwrap_or(0);
        if farthest * highest as f64 > LINEAR {
            // Sums that were moved along a straight line would be of another model.
            sums = self.sums(model);
        }
        let (left, right) = whole_sums(model, &sums);
        solve_constants(model, &sums, &left, &right);
        shift
    }

    /// Gives no weight to samples far from what noise does, unless they come with the mains cycle.
    pub(crate) fn down_weight(&mut self, model: &HumModel) {
        self.residual(model);
        self.weights = far_from_noise(
            &self.x,
            &self.residual,
            self.missing.as_deref(),
            model,
            self.cycle,
        )
        .or_else(|| self.missing.clone());
    }
}

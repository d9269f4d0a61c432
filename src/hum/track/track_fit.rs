//! The tracks as fitted.

use super::figure::{Figure, Movement, OrderFigures};
use super::figures::Figures;
use super::fit::{self, Fit};
use super::input::TrackInput;
use super::model::Model;
use super::solve::{GAIN, PHASE, SLOW};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// The fitted series.
#[derive(Debug, Clone)]
pub(crate) struct TrackFit {
    /// Phase gained over the record, over 2πT.
    pub(crate) mean_frequency_hz: Figure,
    pub(crate) orders: Vec<OrderFigures>,
    /// Mean square of the series over the record, the noise's part taken off.
    pub(crate) hum_power: Figure,
    /// Mean of the slow content over the record.
    pub(crate) offset: Figure,
    pub(crate) wander: Movement,
    pub(crate) modulation: Movement,
    pub(crate) slow: Movement,
    /// Noise beside each order, as one-sided density, with degrees of freedom.
    pub(crate) densities: Vec<(f64, f64)>,
    /// A settling from the first sample on: amplitude and time constant, s.
    pub(crate) settling: Option<(f64, f64)>,
    model: Model,
    duration_s: f64,
}

/// Fits the series and all that moves with it; `None` where the record is shorter than a cycle and a half, empty of
/// anything or of fewer samples than the model has unknowns.
pub(crate) fn fit_tracks(input: &TrackInput) -> Option<TrackFit> {
    let duration_s = input.samples.len() as f64 / input.rate_hz;
    let possible = (0.45 * input.rate_hz / input.fundamental_hz) as usize;
    let orders = input.orders.min(possible);
    let fits = input.weights.is_none_or(|w| w.len() == input.samples.len());
    if !(duration_s * input.fundamental_hz >= 1.5) || orders == 0 || !fits {
        return None;
    }
    if input.samples.len() < 4 * orders.min(10) + 16 {
        return None;
    }
    let fit = fit::fit(input, orders)?;
    let figures = Figures::new(&fit)?;
    Some(TrackFit::new(&fit, figures))
}

impl TrackFit {
    fn new(fit: &Fit, figures: Figures) -> Self {
        let duration_s = fit.record.duration_s;
        let mut model = fit.model.clone();
        let gain = |order: usize| {
            fit.record
                .gain(order as f64 * figures.mean_frequency_hz.value)
        };
        let mut all: Vec<(usize, Complex64)> = model
            .orders
            .iter()
            .copied()
            .zip(model.amplitudes.iter().copied())
            .chain(fit.others.iter().copied())
            .map(|(order, c)| (order, c / gain(order)))
            .collect();
        all.sort_by_key(|o| o.0);
        model.orders = all.iter().map(|o| o.0).collect();
        model.amplitudes = all.iter().map(|o| o.1).collect();
        if let Some(settling) = &mut model.settling {
            settling.amplitude /= fit.record.settling_gain(settling.time_constant_s);
        }
        let densities = fit
            .noise
            .orders
            .iter()
            .map(|level| (2.0 * level.variance * fit.record.step_s, level.dof))
            .collect();
        let odds = fit.weighed.log_odds;
        let movement = |track: usize, value: &dyn Fn(f64) -> f64| Movement {
            log_odds: odds[track],
            rms: rms_about_mean(model.mesh.quadrature().map(value)),
        };
        let spacing = 1e-3 * model.mesh.spacing_s();
        let frequency = |t: f64| {
            let ends = [t + spacing, t - spacing].map(|t| model.mesh.value(&model.phase, t));
            (ends[0] - ends[1]) / (2.0 * spacing * TAU)
        };
        Self {
            slow: movement(SLOW, &|t| model.slow_at(t)),
            wander: movement(PHASE, &frequency),
            modulation: movement(GAIN, &|t| model.mesh.value(&model.gain, t)),
            mean_frequency_hz: figures.mean_frequency_hz,
            orders: figures.orders,
            hum_power: figures.hum_power,
            offset: figures.offset,
            densities,
            settling: model.settling.map(|s| (s.amplitude, s.time_constant_s)),
            model,
            duration_s,
        }
    }

    /// Frequency at a time, Hz, its mean between half a knot before and after.
    pub(crate) fn frequency_hz(&self, time_s: f64) -> f64 {
        let half = 0.5 * self.model.mesh.spacing_s();
        let (from, to) = (
            (time_s - half).max(0.0),
            (time_s + half).min(self.duration_s),
        );
        (self.model.angle(to) - self.model.angle(from)) / (TAU * (to - from))
    }

    /// Phase θ of the fundamental, rad.
    pub(crate) fn angle(&self, time_s: f64) -> f64 {
        self.model.angle(time_s)
    }

    /// Common gain, 1 at about the middle of the record.
    pub(crate) fn gain(&self, time_s: f64) -> f64 {
        1.0 + self.model.mesh.value(&self.model.gain, time_s)
    }

    /// Slow content, settling included.
    pub(crate) fn slow_at(&self, time_s: f64) -> f64 {
        self.model.slow_at(time_s)
    }

    /// The series at `rate_hz` from sample `first` on.
    pub(crate) fn series(&self, rate_hz: f64, first: usize, out: &mut [f64]) {
        for (i, value) in out.iter_mut().enumerate() {
            *value = self.model.series_at((first + i) as f64 / rate_hz);
        }
    }

    /// The slow content at `rate_hz` from sample `first` on.
    pub(crate) fn slow_content(&self, rate_hz: f64, first: usize, out: &mut [f64]) {
        for (i, value) in out.iter_mut().enumerate() {
            *value = self.model.slow_at((first + i) as f64 / rate_hz);
        }
    }

    /// What is left of `samples`, sample `first` of the record on: no slow content, series or lines.
    pub(crate) fn residual(&self, samples: &[f64], rate_hz: f64, first: usize) -> Vec<f64> {
        samples
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let t = (first + i) as f64 / rate_hz;
                x - self.model.slow_at(t) - self.model.series_at(t) - self.model.tones_at(t)
            })
            .collect()
    }
}

fn rms_about_mean(values: impl Iterator<Item = f64>) -> f64 {
    let (mut count, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for value in values {
        count += 1.0;
        sum += value;
        squares += value * value;
    }
    let mean: f64 = sum / count;
    (squares / count - mean * mean).max(0.0).sqrt()
}

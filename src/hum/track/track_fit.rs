//! The tracks as fitted.

use super::figures::{OrderFigures, figures};
use super::fit::{self, Fit};
use super::model::{GAIN, Model, PHASE};
use super::record::TrackInput;
use crate::spectrum::Weighting;
use std::f64::consts::{PI, TAU};
use std::ops::Range;

/// Points that a slope of the phase is read at.
const SLOPE_POINTS: usize = 64;

/// How sure it is that a track moves, and by how much it does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Movement {
    /// Log of the odds that it moves, evidence and prior together.
    pub(crate) log_odds: f64,
    /// RMS about the mean: Hz for the frequency, a share of 1 for the gain.
    pub(crate) rms: f64,
}

impl Movement {
    /// Whether it is proved at odds of a hundred to one.
    pub(crate) fn is_proved(&self) -> bool {
        self.log_odds > 4.6
    }
}

/// The fitted series.
#[derive(Debug, Clone)]
pub(crate) struct TrackFit {
    /// Phase gained over the record, over 2πT, and its variance.
    pub(crate) frequency_hz: f64,
    pub(crate) frequency_variance: f64,
    pub(crate) orders: Vec<OrderFigures>,
    pub(crate) wander: Movement,
    pub(crate) modulation: Movement,
    model: Model,
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
    TrackFit::new(&fit::fit(input, orders)?)
}

impl TrackFit {
    fn new(fit: &Fit) -> Option<Self> {
        let ((frequency_hz, frequency_variance), orders) = figures(fit)?;
        let mut model = fit.model.clone();
        let gain = |order: usize| fit.record.gain(order as f64 * frequency_hz);
        let mut all: Vec<_> = fit
            .model
            .lines()
            .chain(fit.others.iter().copied())
            .collect();
        all.sort_by_key(|o| o.0);
        (model.orders, model.amplitudes) = all.iter().map(|&(k, c)| (k, c / gain(k))).unzip();
        let [wander, modulation] = fit.weighed.log_odds;
        let spacing = 1e-3 * model.mesh.spacing_s;
        let frequency = |t: f64| {
            let ends = [t + spacing, t - spacing].map(|t| model.track(PHASE, t));
            (ends[0] - ends[1]) / (2.0 * spacing * TAU)
        };
        Some(Self {
            wander: Movement {
                log_odds: wander,
                rms: rms_about_mean(model.mesh.quadrature().map(frequency)),
            },
            modulation: Movement {
                log_odds: modulation,
                rms: rms_about_mean(model.mesh.quadrature().map(|t| model.track(GAIN, t))),
            },
            frequency_hz,
            frequency_variance,
            orders,
            model,
        })
    }

    /// The frequency that a fit of steady lines would find between two times: the slope of the straight line through the phase, each
    /// sample weighted as in that fit.
    pub(crate) fn slope_hz(&self, span_s: Range<f64>, weighting: Weighting) -> f64 {
        let length_s = span_s.end - span_s.start;
        let (mut squares, mut products) = (0.0, 0.0);
        for i in 0..SLOPE_POINTS {
            let place = (i as f64 + 0.5) / SLOPE_POINTS as f64;
            let weight = match weighting {
                Weighting::Rectangular => 1.0,
                Weighting::Hann => (PI * place).sin().powi(2),
            };
            let from_middle = place - 0.5;
            squares += weight * from_middle * from_middle;
            products += weight * from_middle * self.model.angle(span_s.start + place * length_s);
        }
        products / (squares * length_s * TAU)
    }

    /// The series at `rate_hz`, so many samples from the record's first on.
    pub(crate) fn series(&self, rate_hz: f64, samples: usize) -> Vec<f64> {
        (0..samples)
            .map(|i| self.model.series_at(i as f64 / rate_hz))
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

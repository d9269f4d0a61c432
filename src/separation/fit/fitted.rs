//! A fitted model of the series, and what is known of it.

use super::model::{HumModel, group_bounds, pairs};
use crate::separation::left_power::LeftPower;
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Share of the pairs that noise is usually told by from which it is steady.
const STEADY: f64 = 0.5;

/// Free parameters that amplitudes take.
#[derive(Debug, Clone, Default)]
pub(crate) struct Spent {
    /// On each order, complex.
    pub(crate) orders: Vec<f64>,
    /// On the gain that is common to all, beyond its level, real.
    pub(crate) gain: f64,
}

/// Mean square of what a model leaves of its own orders beyond the noise beside them.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Excess {
    /// Through most of the record.
    pub(crate) lasting: f64,
    /// Within an instant of it, beyond that.
    pub(crate) passing: f64,
}

/// A fitted model and what is known of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fit {
    pub(crate) model: HumModel,
    /// Noise beside each order: mean square of its phasor sums over the sum of weights.
    pub(crate) noise: Vec<f64>,
    /// Independent pairs that tell the noise of each order.
    pub(crate) pairs: Vec<f64>,
    /// The noise beside each order that is usual, whatever comes and goes.
    pub(crate) usual: Vec<f64>,
    /// Free parameters spent on the amplitudes.
    pub(crate) spent: Spent,
    /// Free parameters spent on the phase track.
    pub(crate) track_parameters: f64,
    pub(crate) excess: Excess,
    /// Narrow lines that are no hum and were set aside, cycles per sample.
    pub(crate) lines: Vec<f64>,
    /// Tones beside an order that stay in the capture, and the order with them.
    pub(crate) others: Vec<OtherTone>,
}

impl Fit {
    /// Lays a fit of a decimated copy on the record: every `factor`-th sample from `first` on, low-passed with this gain
    /// at ν cycles a sample. The ends go on as the outermost intervals do.
    pub(crate) fn lay_on(
        &mut self,
        (factor, first): (usize, usize),
        samples: usize,
        gain: impl Fn(f64) -> f64,
    ) {
        let model = &mut self.model;
        let last = model.intervals() - 1;
        let (at_start, at_end) = (model.cycles_per_sample(0), model.cycles_per_sample(last));
        for edge in &mut model.edges {
            *edge = first + *edge * factor;
        }
        model.phase[0] -= at_start * first as f64 / factor as f64;
        model.edges[0] = 0;
        let beyond = samples as f64 - model.edges[last + 1] as f64;
        model.phase[last + 1] += at_end * beyond / factor as f64;
        model.edges[last + 1] = samples;
        let fundamental = model.cycles() / samples as f64;
        for (o, &order) in model.orders.iter().enumerate() {
            let gain = gain(order as f64 * fundamental);
            for constants in &mut model.constants {
                constants[o] /= gain;
            }
            for deviation in &mut model.deviations[o] {
                *deviation /= gain;
            }
        }
        for noise in self.noise.iter_mut().chain(&mut self.usual) {
            *noise *= factor as f64;
        }
    }

    /// Noise beside the order with index `o`: of noise that comes and goes that which is usual.
    fn sure_noise(&self, o: usize) -> f64 {
        let most = pairs(group_bounds(self.model.intervals()).len() - 1);
        match (self.pairs.get(o), self.usual.get(o)) {
            (Some(told), Some(usual)) if *told < STEADY * most => usual.min(self.noise[o]),
            _ => self.noise[o],
        }
    }

    /// What the amplitudes' errors leave, by order: a complex parameter costs half of its order's noise, of noise that comes and
    /// goes that which is usual. The second part is what they may be beyond that: samples that are far from usual count for less.
    pub(crate) fn amplitude_error(&self, samples: f64) -> (LeftPower, f64) {
        let mut left = LeftPower::default();
        let mut unsure = 0.0;
        for o in 0..self.model.orders.len() {
            let parameters = self.spent.orders.get(o).copied().unwrap_or(1.0);
            let pairs = self.pairs.get(o).copied().unwrap_or(f64::INFINITY);
            let power = 0.5 * self.noise[o] * parameters / samples;
            let sure = self.sure_noise(o) / self.noise[o].max(f64::MIN_POSITIVE);
            left.add(sure * power, 2.0 * parameters, 2.0 * pairs);
            unsure += 2.0 * (1.0 - sure) * sure.sqrt() * power;
        }
        (left, unsure)
    }

    /// What the errors of the phase track and of the common gain leave: a real parameter costs a quarter of the orders' noise,
    /// weighted by what it means to them.
    pub(crate) fn track_error(&self, samples: f64) -> LeftPower {
        let cost = |parameters: f64, slope: &dyn Fn(f64) -> f64| {
            let (mut steep, mut certain, mut pairs) = (0.0, 1e-300, 0.0);
            for (o, &order) in self.model.orders.iter().enumerate() {
                let steepness = slope(order as f64) * self.mean_power(o);
                steep += steepness;
                certain += steepness / self.sure_noise(o).max(1e-300);
                pairs += self.pairs.get(o).copied().unwrap_or(f64::INFINITY);
            }
            (0.25 * parameters * steep / certain / samples, 2.0 * pairs)
        };
        let mut left = LeftPower::default();
        let (power, known) = cost(self.track_parameters, &|order| order * order);
        // How fast the track moves is told by that movement itself.
        left.add(
            power,
            self.track_parameters,
            known.min(self.track_parameters),
        );
        let (power, known) = cost(self.spent.gain, &|_| 1.0);
        left.add(power, self.spent.gain, known.min(self.spent.gain));
        left
    }

    /// The fit of a part of a record as one of the whole, so many samples, which holds no hum elsewhere.
    pub(crate) fn within(mut self, part: &Range<usize>, samples: usize) -> Self {
        self.model = self.model.within(part, samples);
        self
    }

    /// Whether the model is one of numbers.
    pub(crate) fn is_finite(&self) -> bool {
        let model = &self.model;
        let real = model.phase.iter().chain(&model.gain);
        let complex = model.constants.iter().chain(&model.deviations).flatten();
        real.copied().all(f64::is_finite) && complex.copied().all(Complex64::is_finite)
    }

    /// Mean squared amplitude of the order with index `o`.
    pub(crate) fn mean_power(&self, o: usize) -> f64 {
        let model = &self.model;
        let (mut sum, mut mass) = (0.0, 0.0);
        for i in 0..model.intervals() {
            let length = (model.edges[i + 1] - model.edges[i]) as f64;
            sum += 0.5
                * length
                * (model.amplitude(o, i, i).norm_sqr() + model.amplitude(o, i, i + 1).norm_sqr());
            mass += length;
        }
        sum / mass
    }
}

/// A tone beside an order that does not follow the series; it stays in the capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OtherTone {
    pub(crate) order: usize,
    pub(crate) hz: f64,
}

//! A fitted model of the series, and what is known of it.

use super::model::HumModel;

/// A fitted model and what is known of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fit {
    pub(crate) model: HumModel,
    /// Noise beside each order: mean square of its phasor sums over the sum of weights.
    pub(crate) noise: Vec<f64>,
    /// Free parameters spent on each order.
    pub(crate) parameters: Vec<f64>,
    /// Free parameters spent on the phase track.
    pub(crate) track_parameters: f64,
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
        self.noise.iter_mut().for_each(|n| *n *= factor as f64);
    }

    /// Mean square of what the phase track's errors leave: a real parameter of it costs a quarter of the orders' noise,
    /// weighted by what the phase means to them (a complex amplitude costs half of its order's).
    pub(crate) fn track_error(&self, samples: f64) -> f64 {
        let (mut steep, mut certain) = (0.0, 1e-300);
        for (o, &order) in self.model.orders.iter().enumerate() {
            let slope = (order as f64).powi(2) * self.mean_power(o);
            steep += slope;
            certain += slope / self.noise[o].max(1e-300);
        }
        0.25 * self.track_parameters * steep / certain / samples
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

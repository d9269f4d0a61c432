//! Offset, drift, a harmonic series and tones under the interval likelihood: value, gradient and curvature.
//!
//! Products of two harmonics are half the sum of two cosines, so that the curvature AᵀWA of all orders follows
//! from one transform of the weights at the multiples 0 to 2K of the fundamental.

use super::observation::{LogLikelihood, Said};
use crate::analysis::series::SeriesFit;
use crate::spectrum::Nudft;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Parameters at which the likelihood is taken.
#[derive(Debug, Clone)]
pub(crate) struct Point {
    pub(crate) fundamental: f64,
    pub(crate) offset: f64,
    pub(crate) drift: f64,
    /// Complex peak amplitudes about the middle, orders 1, 2, ..
    pub(crate) harmonics: Vec<Complex64>,
    /// Frequency in cycles per sample and amplitude of each tone.
    pub(crate) tones: Vec<(f64, Complex64)>,
    /// ln σ.
    pub(crate) scale: f64,
}

/// The samples and what is held of the parameters beforehand.
#[derive(Debug)]
pub(crate) struct Model<'a> {
    pub(crate) said: &'a [Said],
    pub(crate) orders: usize,
    pub(crate) tones: usize,
    /// Whether the fundamental is fitted.
    pub(crate) free: bool,
    /// Fundamental's prior (value, variance), and its range.
    pub(crate) prior: (f64, f64),
    pub(crate) range: (f64, f64),
    /// Deviation of the coefficients of order 1 beforehand; of order k a k-th of it, as for any waveform of
    /// bounded variation (its k-th coefficient is at most V/πk: A. Zygmund, Trigonometric Series, II.4).
    pub(crate) reach: f64,
    /// Least ln σ.
    pub(crate) floor: f64,
    /// Curvature of each parameter where the fit starts: what steps are damped by.
    pub(crate) scaling: Vec<f64>,
}

/// Logarithm of the posterior with its gradient and the curvature −∇².
#[derive(Debug)]
pub(crate) struct Expansion {
    pub(crate) value: f64,
    pub(crate) gradient: Vec<f64>,
    pub(crate) curvature: Vec<f64>,
}

impl Point {
    pub(crate) fn parameters(&self) -> Vec<f64> {
        let mut all = vec![self.offset];
        all.extend(self.harmonics.iter().flat_map(|c| [c.re, -c.im]));
        all.push(self.drift);
        all.push(self.fundamental);
        all.extend(self.tones.iter().flat_map(|(nu, c)| [c.re, -c.im, *nu]));
        all.push(self.scale);
        all
    }
}

impl Model<'_> {
    /// Offset, two an order, drift, fundamental, three a tone, scale.
    pub(crate) fn size(&self) -> usize {
        self.fundamental_at() + 2 + 3 * self.tones
    }

    pub(crate) fn fundamental_at(&self) -> usize {
        2 * self.orders + 2
    }

    /// A point moved by a step of its parameters, within what they may be.
    ///
    /// The likelihood is concave in β/σ and 1/σ (Pratt 1981): a step moves those along straight lines, which is
    /// β + δβ/(1 − δs) and σ/(1 − δs) for δs = δ ln σ.
    pub(crate) fn moved(&self, from: &Point, step: &[f64]) -> Point {
        let mut values = from.parameters();
        let at = self.fundamental_at();
        let last = values.len() - 1;
        let shrunk = (1.0 - step[last]).max(0.1);
        for (i, (value, d)) in values.iter_mut().zip(step).enumerate() {
            let frequency = i == at || (i > at && i < last && (i - at).is_multiple_of(3));
            if frequency {
                *value += d;
            } else if i == last {
                *value -= shrunk.ln();
            } else {
                *value += d / shrunk;
            }
        }
        let pair = |i: usize| Complex64::new(values[i], -values[i + 1]);
        Point {
            offset: values[0],
            harmonics: (0..self.orders).map(|k| pair(1 + 2 * k)).collect(),
            drift: values[at - 1],
            fundamental: values[at].clamp(self.range.0, self.range.1),
            tones: (0..self.tones)
                .map(|t| (values[at + 3 + 3 * t], pair(at + 1 + 3 * t)))
                .collect(),
            scale: values[at + 1 + 3 * self.tones].max(self.floor),
        }
    }

    fn line(&self, fundamental: f64, harmonics: Vec<Complex64>) -> Vec<f64> {
        let fit = SeriesFit {
            fundamental,
            length: self.said.len(),
            offset: 0.0,
            drift: 0.0,
            harmonics,
        };
        let mut values = vec![0.0; self.said.len()];
        // Taken out of nothing, amplitudes turned about.
        fit.subtract_harmonics(&mut values);
        for value in &mut values {
            *value = -*value;
        }
        values
    }

    fn places(&self) -> impl Iterator<Item = f64> + use<> {
        let middle = 0.5 * (self.said.len() as f64 - 1.0);
        (0..self.said.len()).map(move |n| n as f64 - middle)
    }

    /// The noise-free input at every sample.
    pub(crate) fn means(&self, point: &Point) -> Vec<f64> {
        let mut means = self.line(point.fundamental, point.harmonics.clone());
        for (nu, c) in &point.tones {
            for (mean, value) in means.iter_mut().zip(self.line(*nu, vec![*c])) {
                *mean += value;
            }
        }
        let slope = 2.0 * point.drift / self.said.len() as f64;
        for (mean, m) in means.iter_mut().zip(self.places()) {
            *mean += point.offset + slope * m;
        }
        means
    }

    /// Logarithm of the posterior, up to a constant.
    pub(crate) fn value(&self, point: &Point) -> f64 {
        let deviation = point.scale.exp();
        let means = self.means(point);
        let own: f64 = self
            .said
            .iter()
            .zip(&means)
            .map(|(said, &mean)| said.log_likelihood(mean, deviation).value)
            .sum();
        own - 0.5 * self.squares(point)
    }

    /// Inverse variance of each parameter beforehand, and the value it is held about.
    fn held(&self) -> Vec<(f64, f64)> {
        let weak = 1.0 / (self.reach * self.reach);
        let mut held = vec![(0.0, 0.0)];
        for k in 1..=self.orders {
            let own = (weak * (k * k) as f64, 0.0);
            held.extend([own, own]);
        }
        held.push((weak, 0.0));
        held.push((1.0 / self.prior.1, self.prior.0));
        for _ in 0..self.tones {
            held.extend([(weak, 0.0), (weak, 0.0), (0.0, 0.0)]);
        }
        held.push((0.0, 0.0));
        held
    }

    fn squares(&self, point: &Point) -> f64 {
        let parameters = point.parameters();
        let held = self.held();
        held.iter()
            .zip(&parameters)
            .map(|((weight, about), value)| weight * (value - about).powi(2))
            .sum()
    }

    /// Columns that are no harmonic: drift, fundamental, tones, with their places among the parameters.
    fn columns(&self, point: &Point) -> Vec<(usize, Vec<f64>)> {
        let at = self.fundamental_at();
        let scale = 2.0 / self.said.len() as f64;
        let mut columns = vec![(at - 1, self.places().map(|m| scale * m).collect())];
        let sloped = |nu: f64, harmonics: Vec<Complex64>| -> Vec<f64> {
            let line = self.line(nu, harmonics);
            line.iter().zip(self.places()).map(|(x, m)| x * m).collect()
        };
        if self.free {
            // d/dν of Re(c·exp(j2πkνm)) is m·Re(j2πk·c·exp(..)).
            let turned = point
                .harmonics
                .iter()
                .enumerate()
                .map(|(i, c)| c * Complex64::new(0.0, TAU * (i + 1) as f64))
                .collect();
            columns.push((at, sloped(point.fundamental, turned)));
        }
        for (t, &(nu, c)) in point.tones.iter().enumerate() {
            let first = at + 1 + 3 * t;
            columns.push((first, self.line(nu, vec![Complex64::new(1.0, 0.0)])));
            columns.push((first + 1, self.line(nu, vec![Complex64::new(0.0, -1.0)])));
            columns.push((first + 2, sloped(nu, vec![c * Complex64::new(0.0, TAU)])));
        }
        columns
    }

    /// Aᵀ·x for the constant and the harmonics, by the parameters' places.
    fn projected(&self, fundamental: f64, x: &[f64]) -> Vec<f64> {
        let transform = Nudft::new(x);
        let mut own = vec![transform.at(0.0).re];
        own.extend((1..=self.orders).flat_map(|k| {
            let value = transform.at(k as f64 * fundamental);
            [value.re, -value.im]
        }));
        own
    }

    /// Value, gradient and curvature at a point.
    pub(crate) fn expand(&self, point: &Point) -> Expansion {
        let deviation = point.scale.exp();
        let each: Vec<LogLikelihood> = self
            .said
            .iter()
            .zip(self.means(point))
            .map(|(said, mean)| said.log_likelihood(mean, deviation))
            .collect();
        let weights: Vec<f64> = each.iter().map(|e| -e.mean_mean).collect();
        let scores: Vec<f64> = each.iter().map(|e| e.by_mean).collect();
        let crossed: Vec<f64> = each.iter().map(|e| -e.mean_scale).collect();
        let size = self.size();
        let (core, last) = (2 * self.orders + 1, size - 1);
        let mut gradient = vec![0.0; size];
        let mut curvature = vec![0.0; size * size];
        let mut set = |i: usize, j: usize, value: f64| {
            curvature[i * size + j] = value;
            curvature[j * size + i] = value;
        };
        gradient[..core].copy_from_slice(&self.projected(point.fundamental, &scores));
        self.fill_harmonics(point.fundamental, &weights, &mut set);
        for (i, value) in self
            .projected(point.fundamental, &crossed)
            .into_iter()
            .enumerate()
        {
            set(i, last, value);
        }
        let columns = self.columns(point);
        for (c, (at, column)) in columns.iter().enumerate() {
            let weighted: Vec<f64> = column.iter().zip(&weights).map(|(g, w)| g * w).collect();
            for (i, value) in self
                .projected(point.fundamental, &weighted)
                .into_iter()
                .enumerate()
            {
                set(i, *at, value);
            }
            for (other_at, other) in &columns[..=c] {
                set(*other_at, *at, crate::numeric::dot(other, &weighted));
            }
            set(*at, last, crate::numeric::dot(column, &crossed));
            gradient[*at] = crate::numeric::dot(column, &scores);
        }
        gradient[last] = each.iter().map(|e| e.by_scale).sum();
        set(last, last, each.iter().map(|e| -e.scale_scale).sum());
        let mut value: f64 = each.iter().map(|e| e.value).sum();
        let parameters = point.parameters();
        for (i, (weight, about)) in self.held().into_iter().enumerate() {
            let apart = parameters[i] - about;
            value -= 0.5 * weight * apart * apart;
            gradient[i] -= weight * apart;
            curvature[i * size + i] += weight;
        }
        let at = self.fundamental_at();
        if !self.free {
            gradient[at] = 0.0;
            curvature[at * size + at] = 1.0;
        }
        Expansion {
            value,
            gradient,
            curvature,
        }
    }

    /// The harmonics' block: cos·cos = ½(C(j−i) + C(i+j)) and so on, C + jS the weights' transform.
    fn fill_harmonics(
        &self,
        fundamental: f64,
        weights: &[f64],
        set: &mut impl FnMut(usize, usize, f64),
    ) {
        let transform = Nudft::new(weights);
        let multiples: Vec<Complex64> = (0..=2 * self.orders)
            .map(|k| transform.at(k as f64 * fundamental).conj())
            .collect();
        set(0, 0, multiples[0].re);
        for i in 1..=self.orders {
            let (cosine, sine) = (2 * i - 1, 2 * i);
            set(0, cosine, multiples[i].re);
            set(0, sine, multiples[i].im);
            for j in i..=self.orders {
                let (plus, minus) = (multiples[i + j], multiples[j - i]);
                set(cosine, 2 * j - 1, 0.5 * (minus.re + plus.re));
                set(sine, 2 * j, 0.5 * (minus.re - plus.re));
                set(cosine, 2 * j, 0.5 * (plus.im + minus.im));
                set(sine, 2 * j - 1, 0.5 * (plus.im - minus.im));
            }
        }
    }
}

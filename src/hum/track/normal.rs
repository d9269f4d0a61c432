//! The normal equations of a step of Gauss and Newton, one pass over the samples.
//!
//! Unknowns: (s, φ, μ) coefficient by coefficient, then the border: cosine and sine part of each order and each line,
//! amplitude and log time constant of the settling. Orders differ in noise, so that each one's derivative has its own
//! weight: the estimating equations are Σ Jᵀ·V⁻¹·(x − model) with V⁻¹ taken per order (columns are narrow in frequency).

use super::bordered::{Bordered, WIDTH};
use super::model::Model;
use super::record::Record;
use crate::vector::vectorised;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Tracks of the model, as their coefficients are interleaved.
pub(super) const TRACKS: usize = 3;
pub(super) const SLOW: usize = 0;
pub(super) const PHASE: usize = 1;
pub(super) const GAIN: usize = 2;

/// Variance of a sample, were the noise white at the level it has there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Levels {
    pub(super) slow: f64,
    pub(super) orders: Vec<f64>,
    pub(super) tones: Vec<f64>,
}

/// Information and score at a state of the model.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    pub(super) information: Bordered,
    pub(super) score: Vec<f64>,
    /// Trusted sum of squared residuals.
    pub(super) squares: f64,
}

/// Where the border's columns stand.
#[derive(Debug, Clone, Copy)]
pub(super) struct Border {
    pub(super) orders: usize,
    pub(super) tones: usize,
    pub(super) settling: bool,
}

impl Border {
    pub(super) fn of(model: &Model) -> Self {
        Self {
            orders: model.orders.len(),
            tones: model.tones.len(),
            settling: model.settling.is_some(),
        }
    }

    pub(super) fn settling_at(&self) -> usize {
        2 * (self.orders + self.tones)
    }

    pub(super) fn len(&self) -> usize {
        self.settling_at() + if self.settling { 2 } else { 0 }
    }
}

/// One sample's rows: derivatives weighted by 1/√v, and by 1/v.
struct Rows {
    whitened: Vec<f64>,
    weighted: Vec<f64>,
}

impl Normal {
    /// `extra` adds columns of settling shapes at fixed time constants behind the border, for trial.
    pub(super) fn new(record: &Record, model: &Model, levels: &Levels, extra: &[f64]) -> Self {
        let layout = Border::of(model);
        let border = layout.len() + extra.len();
        let n = TRACKS * model.mesh.coefficients();
        let size = WIDTH + border;
        let mut normal = Self {
            information: Bordered::zeros(n, border),
            score: vec![0.0; n + border],
            squares: 0.0,
        };
        let mut products = vec![0.0; size * size];
        let mut gradient = vec![0.0; size];
        let mut rows = Rows {
            whitened: vec![0.0; size],
            weighted: vec![0.0; size],
        };
        let mut linear = Linearisation::new(model, levels, extra);
        let mut current = 0;
        for (i, (&x, &trust)) in record.samples.iter().zip(&record.trust).enumerate() {
            let t = record.time_s(i);
            let (interval, basis) = model.mesh.place(t);
            if interval != current {
                normal.flush(current, &mut products, &mut gradient);
                current = interval;
            }
            if trust == 0.0 {
                continue;
            }
            let residual = x - linear.fill(t, interval, &basis, &mut rows);
            normal.squares += trust * residual * residual;
            vectorised(
                #[inline(always)]
                || accumulate(&rows, trust, residual, &mut products, &mut gradient),
            );
        }
        normal.flush(current, &mut products, &mut gradient);
        normal
    }

    /// The same with only some columns of the border.
    pub(super) fn with_border(&self, columns: &[usize]) -> Self {
        let n = self.information.banded();
        let mut score = self.score[..n].to_vec();
        score.extend(columns.iter().map(|c| self.score[n + c]));
        Self {
            information: self.information.with_border(columns),
            score,
            squares: self.squares,
        }
    }

    fn flush(&mut self, interval: usize, products: &mut [f64], gradient: &mut [f64]) {
        let n = self.information.banded();
        let first = TRACKS * interval;
        self.information.scatter(first, products);
        for (value, g) in self.score[first..].iter_mut().zip(&gradient[..WIDTH]) {
            *value += g;
        }
        for (value, g) in self.score[n..].iter_mut().zip(&gradient[WIDTH..]) {
            *value += g;
        }
        products.fill(0.0);
        gradient.fill(0.0);
    }
}

#[inline(always)]
fn accumulate(rows: &Rows, trust: f64, residual: f64, products: &mut [f64], gradient: &mut [f64]) {
    let size = rows.whitened.len();
    for (i, line) in products.chunks_exact_mut(size).enumerate() {
        let value = trust * rows.whitened[i];
        for (p, w) in line[i..].iter_mut().zip(&rows.whitened[i..]) {
            *p += value * w;
        }
    }
    let scaled = trust * residual;
    for (g, w) in gradient.iter_mut().zip(&rows.weighted) {
        *g += scaled * w;
    }
}

/// The model and its derivatives at a sample.
struct Linearisation<'a> {
    model: &'a Model,
    root_slow: f64,
    root_orders: Vec<f64>,
    root_tones: Vec<f64>,
    extra: &'a [f64],
}

impl<'a> Linearisation<'a> {
    fn new(model: &'a Model, levels: &Levels, extra: &'a [f64]) -> Self {
        let root = |v: &f64| 1.0 / v.sqrt();
        Self {
            model,
            root_slow: root(&levels.slow),
            root_orders: levels.orders.iter().map(root).collect(),
            root_tones: levels.tones.iter().map(root).collect(),
            extra,
        }
    }

    /// Fills the rows and returns the model's value.
    #[inline(always)]
    fn fill(&mut self, t: f64, interval: usize, basis: &[f64; 4], rows: &mut Rows) -> f64 {
        let model = self.model;
        let track = |coefficients: &[f64]| -> f64 {
            let c = &coefficients[interval..interval + 4];
            basis[0] * c[0] + basis[1] * c[1] + basis[2] * c[2] + basis[3] * c[3]
        };
        let gain = 1.0 + track(&model.gain);
        let mut value = track(&model.slow);
        let turn = Complex64::cis(TAU * model.reference_hz * t + track(&model.phase));
        let (mut power, mut at) = (Complex64::new(1.0, 0.0), 0);
        // Sums over orders of the waveform and its slope: plain, by 1/√v and by 1/v.
        let (mut wave, mut slope) = ([0.0; 3], [0.0; 3]);
        let mut column = WIDTH;
        for (o, (&order, c)) in model.orders.iter().zip(&model.amplitudes).enumerate() {
            while at < order {
                power *= turn;
                at += 1;
            }
            let root = self.root_orders[o];
            let own = c.re * power.re - c.im * power.im;
            let turned = -(order as f64) * (c.re * power.im + c.im * power.re);
            for (sum, part) in [(&mut wave, own), (&mut slope, turned)] {
                sum[0] += part;
                sum[1] += root * part;
                sum[2] += root * root * part;
            }
            // Unknowns are the real and imaginary parts of cₖ.
            for derivative in [gain * power.re, -gain * power.im] {
                rows.whitened[column] = root * derivative;
                rows.weighted[column] = root * root * derivative;
                column += 1;
            }
        }
        value += gain * wave[0];
        for ((f, d), root) in model.tones.iter().zip(&self.root_tones) {
            let turn = Complex64::cis(TAU * f * t);
            value += d.re * turn.re - d.im * turn.im;
            for derivative in [turn.re, -turn.im] {
                rows.whitened[column] = root * derivative;
                rows.weighted[column] = root * root * derivative;
                column += 1;
            }
        }
        let root = self.root_slow;
        if let Some(settling) = model.settling {
            let shape = settling.shape(t);
            let stretched = settling.amplitude * shape * t / settling.time_constant_s;
            value += settling.amplitude * shape;
            for derivative in [shape, stretched] {
                rows.whitened[column] = root * derivative;
                rows.weighted[column] = root * root * derivative;
                column += 1;
            }
        }
        for time_constant in self.extra {
            let shape = (-t / time_constant).exp();
            rows.whitened[column] = root * shape;
            rows.weighted[column] = root * root * shape;
            column += 1;
        }
        for (p, b) in basis.iter().enumerate() {
            let place = TRACKS * p;
            rows.whitened[place + SLOW] = root * b;
            rows.weighted[place + SLOW] = root * root * b;
            rows.whitened[place + PHASE] = gain * slope[1] * b;
            rows.weighted[place + PHASE] = gain * slope[2] * b;
            rows.whitened[place + GAIN] = wave[1] * b;
            rows.weighted[place + GAIN] = wave[2] * b;
        }
        value
    }
}

//! The normal equations of a step of Gauss and Newton, one pass over the samples.
//!
//! Orders differ in noise, so that each one's derivative has its own weight: the estimating equations are
//! Σ Jᵀ·V⁻¹·(x − model) with V⁻¹ taken per order (columns are narrow in frequency).

use super::bordered::{Bordered, WIDTH};
use crate::hum::track::model::{GAIN, Model, PHASE, SLOW, TRACKS};
use crate::hum::track::record::Record;
use crate::numeric::vectorised;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Variance of a sample, were the noise white at the level it has there.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Levels {
    pub(crate) slow: f64,
    pub(crate) orders: Vec<f64>,
    pub(crate) tones: Vec<f64>,
}

/// Information and score at a state of the model.
#[derive(Debug, Clone)]
pub(crate) struct Normal {
    pub(crate) information: Bordered,
    pub(crate) score: Vec<f64>,
    /// Trusted sum of squared residuals.
    pub(crate) squares: f64,
}

/// Samples whose rows are added at a time.
const BATCH: usize = 4;

/// Rows of some samples: derivatives weighted by √(trust/v), and by 1/v with the residual.
struct Rows {
    size: usize,
    filled: usize,
    whitened: Vec<f64>,
    gradient: Vec<f64>,
    products: Vec<f64>,
}

impl Normal {
    /// `extra` adds columns of settling shapes at fixed time constants behind the border, for trial.
    pub(crate) fn new(record: &Record, model: &Model, levels: &Levels, extra: &[f64]) -> Self {
        let border = model.border() + extra.len();
        let n = TRACKS * model.mesh.coefficients();
        let size = WIDTH + border;
        let mut normal = Self {
            information: Bordered::zeros(n, border),
            score: vec![0.0; n + border],
            squares: 0.0,
        };
        let mut linear = Linearisation::new(model, levels, extra);
        let mut rows = Rows::new(size);
        let mut current = 0;
        for (i, (&x, &trust)) in record.samples.iter().zip(&record.trust).enumerate() {
            let t = record.time_s(i);
            let (interval, basis) = model.mesh.place(t);
            if interval != current {
                normal.flush(current, &mut rows);
                current = interval;
            }
            if trust == 0.0 {
                continue;
            }
            let value = linear.fill(t, interval, &basis, rows.next());
            let residual = x - value;
            normal.squares += trust * residual * residual;
            rows.add(&linear.roots, trust, residual);
        }
        normal.flush(current, &mut rows);
        normal
    }

    /// The same with only some columns of the border.
    pub(crate) fn with_border(&self, columns: &[usize]) -> Self {
        let n = self.information.banded;
        let mut score = self.score[..n].to_vec();
        score.extend(columns.iter().map(|c| self.score[n + c]));
        Self {
            information: self.information.with_border(columns),
            score,
            squares: self.squares,
        }
    }

    fn flush(&mut self, interval: usize, rows: &mut Rows) {
        rows.finish();
        let n = self.information.banded;
        let first = TRACKS * interval;
        self.information.scatter(first, &rows.products);
        for (value, g) in self.score[first..].iter_mut().zip(&rows.gradient[..WIDTH]) {
            *value += g;
        }
        for (value, g) in self.score[n..].iter_mut().zip(&rows.gradient[WIDTH..]) {
            *value += g;
        }
        rows.products.fill(0.0);
        rows.gradient.fill(0.0);
    }
}

impl Rows {
    fn new(size: usize) -> Self {
        Self {
            size,
            filled: 0,
            whitened: vec![0.0; BATCH * size],
            gradient: vec![0.0; size],
            products: vec![0.0; size * size],
        }
    }

    /// The row to fill next.
    #[inline(always)]
    fn next(&mut self) -> &mut [f64] {
        &mut self.whitened[self.filled * self.size..(self.filled + 1) * self.size]
    }

    /// Takes the row that was filled.
    #[inline(always)]
    fn add(&mut self, scales: &Scales, trust: f64, residual: f64) {
        let row = &mut self.whitened[self.filled * self.size..(self.filled + 1) * self.size];
        let scaled = trust * residual;
        let border = self.gradient[WIDTH..].iter_mut().zip(&row[WIDTH..]);
        for ((g, w), root) in border.zip(&scales.border) {
            *g += scaled * root * w;
        }
        for p in 0..WIDTH / TRACKS {
            let b = scaled * scales.basis[p];
            for track in 0..TRACKS {
                self.gradient[TRACKS * p + track] += b * scales.tracks[track];
            }
        }
        if trust != 1.0 {
            let root = trust.sqrt();
            for value in row {
                *value *= root;
            }
        }
        self.filled += 1;
        if self.filled == BATCH {
            self.finish();
        }
    }

    fn finish(&mut self) {
        let size = self.size;
        self.whitened[self.filled * size..].fill(0.0);
        self.filled = 0;
        let (a, rest) = self.whitened.split_at(size);
        let (b, rest) = rest.split_at(size);
        let (c, d) = rest.split_at(size);
        let products = &mut self.products;
        vectorised(
            #[inline(always)]
            || add_products(size, [a, b, c, d], products),
        );
    }
}

#[inline(always)]
fn add_products(size: usize, [a, b, c, d]: [&[f64]; BATCH], products: &mut [f64]) {
    for i in 0..size {
        let line = &mut products[i * size + i..(i + 1) * size];
        let length = line.len();
        let (ra, rb, rc, rd) = (&a[i..], &b[i..], &c[i..], &d[i..]);
        let (ra, rb, rc, rd) = (&ra[..length], &rb[..length], &rc[..length], &rd[..length]);
        let (va, vb, vc, vd) = (ra[0], rb[0], rc[0], rd[0]);
        for j in 0..length {
            line[j] += (va * ra[j] + vb * rb[j]) + (vc * rc[j] + vd * rd[j]);
        }
    }
}

/// What turns a whitened row into one weighted by 1/v: 1/√v of each border column, and what stands before the splines.
struct Scales {
    border: Vec<f64>,
    basis: [f64; 4],
    tracks: [f64; TRACKS],
}

/// The model and its derivatives at a sample.
struct Linearisation<'a> {
    model: &'a Model,
    root_slow: f64,
    extra: &'a [f64],
    roots: Scales,
}

impl<'a> Linearisation<'a> {
    fn new(model: &'a Model, levels: &Levels, extra: &'a [f64]) -> Self {
        let root = |v: &f64| 1.0 / v.sqrt();
        let root_slow = root(&levels.slow);
        let settling = model.border() - model.settling_at();
        let border = levels
            .orders
            .iter()
            .chain(&levels.tones)
            .flat_map(|v| [root(v); 2])
            .chain(std::iter::repeat_n(root_slow, settling + extra.len()))
            .collect();
        Self {
            model,
            root_slow,
            extra,
            roots: Scales {
                border,
                basis: [0.0; 4],
                tracks: [0.0; TRACKS],
            },
        }
    }

    /// Fills a whitened row and returns the model's value.
    #[inline(always)]
    fn fill(&mut self, t: f64, interval: usize, basis: &[f64; 4], row: &mut [f64]) -> f64 {
        let model = self.model;
        let track = |track: usize| -> f64 {
            let c = &model.tracks[track][interval..interval + 4];
            basis[0] * c[0] + basis[1] * c[1] + basis[2] * c[2] + basis[3] * c[3]
        };
        let gain = 1.0 + track(GAIN);
        let mut value = track(SLOW);
        let turn = Complex64::cis(TAU * model.reference_hz * t + track(PHASE));
        let (mut power, mut at) = (Complex64::new(1.0, 0.0), 0);
        // Sums over orders of the waveform and its slope: plain, by 1/√v and by 1/v.
        let (mut wave, mut slope) = ([0.0; 3], [0.0; 2]);
        let (tracks, border) = row.split_at_mut(WIDTH);
        let mut columns = border.iter_mut().zip(&self.roots.border);
        let mut put = |derivative: f64| {
            if let Some((place, root)) = columns.next() {
                *place = root * derivative;
            }
        };
        for (o, (&order, c)) in model.orders.iter().zip(&model.amplitudes).enumerate() {
            while at < order {
                power *= turn;
                at += 1;
            }
            let root = self.roots.border[2 * o];
            let own = c.re * power.re - c.im * power.im;
            let turned = -(order as f64) * root * (c.re * power.im + c.im * power.re);
            wave[0] += own;
            wave[1] += root * own;
            wave[2] += root * root * own;
            slope[0] += turned;
            slope[1] += root * turned;
            // Unknowns are the real and imaginary parts of cₖ.
            put(gain * power.re);
            put(-gain * power.im);
        }
        value += gain * wave[0];
        for (f, d) in &model.tones {
            let turn = Complex64::cis(TAU * f * t);
            value += d.re * turn.re - d.im * turn.im;
            put(turn.re);
            put(-turn.im);
        }
        if let Some(settling) = model.settling {
            let shape = settling.shape(t);
            value += settling.amplitude * shape;
            put(shape);
            put(settling.amplitude * shape * t / settling.time_constant_s);
        }
        for time_constant in self.extra {
            put((-t / time_constant).exp());
        }
        let root = self.root_slow;
        let whitened = [root, gain * slope[0], wave[1]];
        for (place, b) in tracks.chunks_exact_mut(TRACKS).zip(basis) {
            for track in 0..TRACKS {
                place[track] = whitened[track] * b;
            }
        }
        self.roots.basis = *basis;
        self.roots.tracks = [root * root, gain * slope[1], wave[2]];
        value
    }
}

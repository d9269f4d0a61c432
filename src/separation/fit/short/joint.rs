//! Level, slope and harmonics of a known fundamental by one weighted least-squares fit.
//!
//! The normal equations hold nothing but sums of weights, and of weighted samples, turned by multiples of the
//! fundamental (the sines' products are sines of sums and differences). A turned sum is taken block by block from the
//! blocks' moments: ∑ v exp(-jθ(c+δ)) = exp(-jθc) ∑ (-jθ)^p/p! ∑ v δ^p, so that its cost does not grow with the rate.

use crate::numeric::Cholesky;
use crate::separation::fit::model::HumModel;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Moments of a block that are kept; with half a block's turn below [`WIDEST`] the next one is below 1e-7.
const MOMENTS: usize = 8;
/// Angle by which half a block turns at most, at twice the highest order, rad.
const WIDEST: f64 = 0.5;

/// Moments of a record's blocks: of the weights, and of the weighted samples.
pub(crate) struct Blocks {
    samples: usize,
    /// Middles of the blocks.
    centres: Vec<f64>,
    weights: Vec<[f64; MOMENTS]>,
    values: Vec<[f64; MOMENTS]>,
    moments: usize,
    used: f64,
    squares: f64,
}

/// A solved fit.
#[derive(Debug, Default)]
pub(crate) struct Joint {
    level: f64,
    slope: f64,
    pub(crate) amplitudes: Vec<Complex64>,
    /// Weighted sum of squared residuals.
    pub(crate) squares: f64,
}

impl Blocks {
    /// Blocks that serve up to `highest`, cycles a sample.
    pub(crate) fn new(x: &[f64], weights: &[f64], highest: f64) -> Self {
        let width = ((WIDEST / (2.0 * PI * highest.max(1e-12))) as usize).clamp(1, x.len().max(1));
        let mut blocks = Self {
            samples: x.len(),
            centres: Vec::with_capacity(x.len() / width + 1),
            weights: Vec::with_capacity(x.len() / width + 1),
            values: Vec::with_capacity(x.len() / width + 1),
            moments: if width == 1 { 2 } else { MOMENTS },
            used: weights.iter().sum(),
            squares: x.iter().zip(weights).map(|(v, w)| w * v * v).sum(),
        };
        for (b, (part, w)) in x.chunks(width).zip(weights.chunks(width)).enumerate() {
            let middle = 0.5 * (part.len() as f64 - 1.0);
            let (mut of_weights, mut of_values) = ([0.0; MOMENTS], [0.0; MOMENTS]);
            for (i, (v, w)) in part.iter().zip(w).enumerate() {
                let delta = i as f64 - middle;
                let mut power = *w;
                for (a, b) in of_weights.iter_mut().zip(&mut of_values) {
                    *a += power;
                    *b += power * v;
                    power *= delta;
                }
            }
            blocks.centres.push((b * width) as f64 + middle);
            blocks.weights.push(of_weights);
            blocks.values.push(of_values);
        }
        blocks
    }

    pub(crate) fn used(&self) -> f64 {
        self.used
    }

    /// Fits `orders` of a fundamental of `nu` cycles a sample.
    pub(crate) fn solve(&self, nu: f64, orders: &[usize]) -> Joint {
        let top = orders.iter().max().copied().unwrap_or(0);
        // Slope: u = 2 n/N - 1.
        let per_sample = 2.0 / self.samples as f64;
        let weights = self.turned(&self.weights, nu, 2 * top, per_sample);
        let values = self.turned(&self.values, nu, top, per_sample);
        let flat = self.turned_slope(per_sample);
        let p = 2 + 2 * orders.len();
        let mut matrix = vec![0.0; p * p];
        let mut right = vec![0.0; p];
        (right[0], right[1]) = (values[0].0.re, values[0].1.re);
        matrix[0] = weights[0].0.re;
        matrix[p] = weights[0].1.re;
        matrix[p + 1] = flat;
        for (i, &k) in orders.iter().enumerate() {
            let (row, column) = ((2 + 2 * i) * p, (3 + 2 * i) * p);
            // Columns cos and -sin: real and imaginary part of the turned sums.
            let (plain, sloped) = weights[k];
            (matrix[row], matrix[column]) = (plain.re, plain.im);
            (matrix[row + 1], matrix[column + 1]) = (sloped.re, sloped.im);
            (right[2 + 2 * i], right[3 + 2 * i]) = (values[k].0.re, values[k].0.im);
            for (j, &l) in orders.iter().enumerate().take(i + 1) {
                let sum = weights[k + l].0;
                let difference = if k >= l {
                    weights[k - l].0
                } else {
                    weights[l - k].0.conj()
                };
                matrix[row + 2 + 2 * j] = 0.5 * (difference.re + sum.re);
                matrix[row + 3 + 2 * j] = 0.5 * (sum.im - difference.im);
                matrix[column + 2 + 2 * j] = 0.5 * (sum.im + difference.im);
                matrix[column + 3 + 2 * j] = 0.5 * (difference.re - sum.re);
            }
        }
        let solved = solved(p, &matrix, &right);
        let explained: f64 = solved.iter().zip(&right).map(|(a, b)| a * b).sum();
        Joint {
            level: solved[0],
            slope: solved[1],
            amplitudes: solved[2..]
                .chunks(2)
                .map(|c| Complex64::new(c[0], c[1]))
                .collect(),
            squares: (self.squares - explained).max(1e-14 * self.squares),
        }
    }

    /// Sums of what the moments are of, turned by 0 to `top` times `nu`: plain, and times the slope.
    fn turned(
        &self,
        moments: &[[f64; MOMENTS]],
        nu: f64,
        top: usize,
        per_sample: f64,
    ) -> Vec<(Complex64, Complex64)> {
        let mut sums = vec![(Complex64::default(), Complex64::default()); top + 1];
        let last = self.moments - 1;
        let factors: Vec<[f64; MOMENTS]> = (0..=top)
            .map(|k| {
                let theta = 2.0 * PI * nu * k as f64;
                let mut factor = [1.0; MOMENTS];
                for p in 1..MOMENTS {
                    factor[p] = factor[p - 1] * theta / p as f64;
                }
                factor
            })
            .collect();
        for (centre, m) in self.centres.iter().zip(moments) {
            let step = Complex64::from_polar(1.0, -2.0 * PI * (nu * centre).fract());
            let at = centre * per_sample - 1.0;
            let mut turn = Complex64::new(1.0, 0.0);
            for (sum, factor) in sums.iter_mut().zip(&factors) {
                // (-j)^p: 1, -j, -1, j.
                let (mut plain, mut risen) = ([0.0; 4], [0.0; 4]);
                for p in 0..last {
                    plain[p % 4] += factor[p] * m[p];
                    risen[p % 4] += factor[p] * m[p + 1];
                }
                let whole = |s: [f64; 4]| Complex64::new(s[0] - s[2], s[3] - s[1]);
                let plain = turn * whole(plain);
                sum.0 += plain;
                sum.1 += plain * at + turn * whole(risen) * per_sample;
                turn *= step;
            }
        }
        sums
    }

    /// Weighted sum of the slope's squares.
    fn turned_slope(&self, per_sample: f64) -> f64 {
        let blocks = self.centres.iter().zip(&self.weights);
        blocks
            .map(|(centre, m)| {
                let at = centre * per_sample - 1.0;
                // A block of one sample has no second moment, and keeps it at 0.
                at * at * m[0] + 2.0 * at * per_sample * m[1] + per_sample * per_sample * m[2]
            })
            .sum()
    }
}

impl Joint {
    /// What the fit leaves of `x`.
    pub(crate) fn residual(&self, x: &[f64], nu: f64, orders: &[usize]) -> Vec<f64> {
        let n = x.len();
        let model = HumModel {
            edges: vec![0, n],
            phase: vec![0.0, nu * n as f64],
            piece: vec![0],
            constants: vec![self.amplitudes.clone()],
            gain: vec![1.0; 2],
            deviations: vec![Vec::new(); orders.len()],
            orders: orders.to_vec(),
        };
        let mut rest = vec![0.0; n];
        model.residual(x, &mut rest);
        let per_sample = 2.0 / n as f64;
        for (i, r) in rest.iter_mut().enumerate() {
            *r -= self.level + self.slope * (i as f64 * per_sample - 1.0);
        }
        rest
    }
}

/// Solves normal equations; columns that the record hardly tells apart share what they explain.
fn solved(p: usize, matrix: &[f64], right: &[f64]) -> Vec<f64> {
    for lift in [1e-12, 1e-9, 1e-6] {
        let (mut a, mut b) = (matrix.to_vec(), right.to_vec());
        for i in 0..p {
            a[i * p + i] *= 1.0 + lift;
        }
        if let Some(factor) = Cholesky::new(p, a) {
            factor.solve(&mut b);
            return b;
        }
    }
    vec![0.0; p]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the sums written out, at a rate that makes wide blocks and with samples left out.
    #[test]
    fn a_fit_from_moments_is_the_fit_written_out() {
        let (n, nu) = (3000, 0.000_51);
        let orders = [1, 2, 5, 9];
        let wave = |i: usize| {
            let t = i as f64;
            0.3 + 1e-4 * t
                + orders
                    .iter()
                    .map(|k| (2.0 * PI * nu * *k as f64 * t + *k as f64).cos() / *k as f64)
                    .sum::<f64>()
        };
        let x: Vec<f64> = (0..n).map(wave).collect();
        let weights: Vec<f64> = (0..n)
            .map(|i| if (700..900).contains(&i) { 0.0 } else { 1.0 })
            .collect();
        for highest in [20.0 * nu, 0.4] {
            let joint = Blocks::new(&x, &weights, highest).solve(nu, &orders);
            for (k, a) in orders.iter().zip(&joint.amplitudes) {
                let expected = Complex64::from_polar(1.0 / *k as f64, *k as f64);
                assert!((a - expected).norm() < 1e-5, "{k} {a} {expected}");
            }
            let rest = joint.residual(&x, nu, &orders);
            assert!(rest.iter().all(|r| r.abs() < 1e-5));
        }
    }
}

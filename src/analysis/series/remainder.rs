//! A record's transform with lines taken out of it, without transforming again.

use crate::numeric::vectorised;
use crate::spectrum::{Kernel, Nudft, Position, Weighting};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// A transform X(ν) that can be fitted: about the middle of so many real samples, at any frequency.
pub(crate) trait Transform: Sync {
    /// Samples transformed.
    fn length(&self) -> usize;

    /// X at ν cycles per sample.
    fn at(&self, nu: f64) -> Complex64;

    /// X and dX/dν.
    fn with_slope(&self, nu: f64) -> (Complex64, Complex64);

    /// What the slope at one frequency follows from.
    type Beside;

    /// X, and what its slope there follows from.
    fn at_with(&self, nu: f64) -> (Complex64, Self::Beside);

    /// dX/dν.
    fn slope(&self, beside: &Self::Beside) -> Complex64;
}

impl Transform for Nudft {
    fn length(&self) -> usize {
        self.len()
    }

    fn at(&self, nu: f64) -> Complex64 {
        Self::at(self, nu)
    }

    fn with_slope(&self, nu: f64) -> (Complex64, Complex64) {
        Self::with_slope(self, nu)
    }

    type Beside = Position;

    fn at_with(&self, nu: f64) -> (Complex64, Position) {
        Self::at_with(self, nu)
    }

    fn slope(&self, beside: &Position) -> Complex64 {
        Self::slope(self, beside)
    }
}

/// Lines Re(c·exp(j2πνm)) over a record of N samples: at ν their transforms are
/// ½c·D(ν−ν_l) + ½c*·D(ν+ν_l), D(ν) = sin(πNν)/sin(πν).
#[derive(Debug, Clone, Default)]
pub(crate) struct Lines {
    length: usize,
    /// Both frequencies of every line, with the sines and cosines of π and πN times each.
    frequencies: Vec<f64>,
    sines: Vec<f64>,
    cosines: Vec<f64>,
    all_sines: Vec<f64>,
    all_cosines: Vec<f64>,
    halves: Vec<Complex64>,
}

/// Lanes that are worked on together, and the sine below which a line is met by its own series.
const LANES: usize = 4;
const NEAR: f64 = 1e-3;

impl Lines {
    pub(crate) fn new(length: usize) -> Self {
        Self {
            length,
            ..Self::default()
        }
    }

    /// Adds the line of complex peak amplitude c at ν cycles per sample.
    pub(crate) fn push(&mut self, nu: f64, amplitude: Complex64) {
        let (one, all) = self.angles(nu);
        for (sign, half) in [(1.0, 0.5 * amplitude), (-1.0, 0.5 * amplitude.conj())] {
            self.frequencies.push(sign * nu);
            self.sines.push(sign * one.0);
            self.cosines.push(one.1);
            self.all_sines.push(sign * all.0);
            self.all_cosines.push(all.1);
            self.halves.push(half);
        }
    }

    /// Sine and cosine of πν and of πNν, whole turns of the latter left out.
    fn angles(&self, nu: f64) -> ((f64, f64), (f64, f64)) {
        let turns = (self.length as f64 * nu) % 2.0;
        ((PI * nu).sin_cos(), (PI * turns).sin_cos())
    }

    /// Their transform at ν, and its derivative.
    fn at(&self, nu: f64) -> (Complex64, Complex64) {
        let ((s, c), (sn, cn)) = self.angles(nu);
        let n = self.length as f64;
        let count = self.frequencies.len();
        let mut near = 0usize;
        let (mut values, mut slopes) = ([[0.0; LANES]; 2], [[0.0; LANES]; 2]);
        vectorised(
            #[inline(always)]
            || {
                let mut l = 0;
                while l < count {
                    let lanes = (count - l).min(LANES);
                    let own = l..l + lanes;
                    let sines = &self.sines[own.clone()];
                    let cosines = &self.cosines[own.clone()];
                    let all_sines = &self.all_sines[own.clone()];
                    let all_cosines = &self.all_cosines[own.clone()];
                    let halves = &self.halves[own];
                    for i in 0..lanes {
                        let one = s * cosines[i] - c * sines[i];
                        let one_cosine = c * cosines[i] + s * sines[i];
                        let all = sn * all_cosines[i] - cn * all_sines[i];
                        let all_cosine = cn * all_cosines[i] + sn * all_sines[i];
                        let beside = one.abs() < NEAR;
                        near += usize::from(beside);
                        let inverse = if beside { 0.0 } else { 1.0 / one };
                        let value = all * inverse;
                        let slope = PI * (n * all_cosine - value * one_cosine) * inverse;
                        values[0][i] += halves[i].re * value;
                        values[1][i] += halves[i].im * value;
                        slopes[0][i] += halves[i].re * slope;
                        slopes[1][i] += halves[i].im * slope;
                    }
                    l += lanes;
                }
            },
        );
        let total = |[re, im]: [[f64; LANES]; 2]| Complex64::new(re.iter().sum(), im.iter().sum());
        let (mut value, mut slope) = (total(values), total(slopes));
        if near > 0 {
            for (l, half) in self.halves.iter().enumerate() {
                if (s * self.cosines[l] - c * self.sines[l]).abs() < NEAR {
                    let distance = nu - self.frequencies[l];
                    let kernel = Kernel::at(Weighting::Rectangular, self.length, distance);
                    value += half * kernel.value;
                    slope += half * kernel.slope;
                }
            }
        }
        (value, slope)
    }
}

/// A transform less lines.
#[derive(Debug, Clone)]
pub(crate) struct Remainder<'a> {
    pub(crate) transform: &'a Nudft,
    pub(crate) lines: Lines,
}

impl Transform for Remainder<'_> {
    fn length(&self) -> usize {
        self.transform.len()
    }

    fn at(&self, nu: f64) -> Complex64 {
        let value = self.transform.at(nu);
        if self.lines.frequencies.is_empty() {
            return value;
        }
        value - self.lines.at(nu).0
    }

    fn with_slope(&self, nu: f64) -> (Complex64, Complex64) {
        let (value, slope) = self.transform.with_slope(nu);
        let (lines, line_slopes) = self.lines.at(nu);
        (value - lines, slope - line_slopes)
    }

    /// With the slope of the lines.
    type Beside = (Position, Complex64);

    fn at_with(&self, nu: f64) -> (Complex64, Self::Beside) {
        let (value, position) = self.transform.at_with(nu);
        if self.lines.frequencies.is_empty() {
            return (value, (position, Complex64::default()));
        }
        let (lines, line_slopes) = self.lines.at(nu);
        (value - lines, (position, line_slopes))
    }

    fn slope(&self, (position, line_slopes): &Self::Beside) -> Complex64 {
        self.transform.slope(position) - line_slopes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Differential test against the transform of what is left.
    #[test]
    fn the_remainder_is_the_transform_of_what_is_left() {
        for length in [1000usize, 1001] {
            let middle = 0.5 * (length as f64 - 1.0);
            let mut x: Vec<f64> = (0..length)
                .map(|n| ((n * n) as f64 * 0.37).sin() + 0.3)
                .collect();
            let whole = Nudft::new(&x);
            let mut lines = Lines::new(length);
            for (nu, c) in [
                (0.0503, Complex64::new(3.0, -1.0)),
                (0.1, Complex64::new(0.0, 0.2)),
                (0.0504, Complex64::new(-0.4, 2.0)),
            ] {
                lines.push(nu, c);
                for (n, value) in x.iter_mut().enumerate() {
                    *value -= (c * Complex64::cis(2.0 * PI * nu * (n as f64 - middle))).re;
                }
            }
            let left = Nudft::new(&x);
            let remainder = Remainder {
                transform: &whole,
                lines,
            };
            for nu in [
                0.0, 1e-4, 0.049, 0.05029, 0.0503, 0.0504, 0.1, 0.103, 0.31, 0.4995,
            ] {
                let (value, slope) = Transform::with_slope(&remainder, nu);
                let (expected, expected_slope) = left.with_slope(nu);
                assert_abs_diff_eq!((value - expected).norm(), 0.0, epsilon = 1e-7);
                assert_abs_diff_eq!(
                    (Transform::at(&remainder, nu) - expected).norm(),
                    0.0,
                    epsilon = 1e-7
                );
                assert_abs_diff_eq!(
                    (slope - expected_slope).norm() / length as f64,
                    0.0,
                    epsilon = 1e-6
                );
            }
        }
    }
}

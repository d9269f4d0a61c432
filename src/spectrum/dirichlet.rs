//! Sums of weighted cosines over a record, in closed form.

use realfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Weights of a least-squares fit over the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weighting {
    /// Equal weights: smallest variance in white noise.
    Rectangular,
    /// ½ + ½cos(2πm/N) about the middle: keeps strong drift and far lines out of the fit, at 1.22
    /// times the scatter.
    Hann,
}

/// Σ v\[m\] cos(2πνm) over the record's N samples (m counted from its middle), with first and
/// second derivatives by ν.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Kernel {
    /// The sum.
    pub value: f64,
    /// Its derivative, −2π Σ v m sin(2πνm).
    pub slope: f64,
    /// Its second derivative, −4π² Σ v m² cos(2πνm).
    pub curvature: f64,
}

impl Kernel {
    /// The kernel of `length` samples under this weighting at ν cycles per sample.
    #[must_use]
    pub fn at(weighting: Weighting, length: usize, nu: f64) -> Self {
        match weighting {
            Weighting::Rectangular => dirichlet(length, nu),
            Weighting::Hann => {
                let bin = 1.0 / length as f64;
                let [centre, left, right] =
                    [nu, nu - bin, nu + bin].map(|nu| dirichlet(length, nu));
                Self::hann(&centre, &left, &right)
            }
        }
    }

    /// The Hann-weighted kernel from the plain ones at its place and a bin to either side.
    fn hann(centre: &Self, left: &Self, right: &Self) -> Self {
        let mix = |part: fn(&Self) -> f64| 0.5 * part(centre) + 0.25 * (part(left) + part(right));
        Self {
            value: mix(|k| k.value),
            slope: mix(|k| k.slope),
            curvature: mix(|k| k.curvature),
        }
    }

    /// The kernels at 0, ν, 2ν, .. `highest`·ν.
    pub(crate) fn multiples(
        weighting: Weighting,
        length: usize,
        nu: f64,
        highest: usize,
    ) -> Vec<Self> {
        let at = |offset: f64| DirichletRow::new(length, nu, offset, highest);
        match weighting {
            Weighting::Rectangular => at(0.0).collect(),
            Weighting::Hann => {
                let bin = 1.0 / length as f64;
                at(0.0)
                    .zip(at(-bin).zip(at(bin)))
                    .map(|(centre, (left, right))| Self::hann(&centre, &left, &right))
                    .collect()
            }
        }
    }
}

/// Dirichlet kernels at `offset` + jν, j = 0, 1, .., their sines by turning phasors.
struct DirichletRow {
    length: usize,
    nu: f64,
    offset: f64,
    next: usize,
    highest: usize,
    /// exp(jx) and exp(jNx) at the next place, and their turns to the one after.
    phasors: [Complex64; 2],
    turns: [Complex64; 2],
}

impl DirichletRow {
    fn new(length: usize, nu: f64, offset: f64, highest: usize) -> Self {
        let turn = |nu: f64| Complex64::cis(PI * nu);
        let n = length as f64;
        Self {
            length,
            nu,
            offset,
            next: 0,
            highest,
            phasors: [turn(offset), turn(n * offset)],
            turns: [turn(nu), turn(n * nu)],
        }
    }
}

impl Iterator for DirichletRow {
    type Item = Kernel;

    fn next(&mut self) -> Option<Kernel> {
        if self.next > self.highest {
            return None;
        }
        let nu = self.offset + self.next as f64 * self.nu;
        let [one, all] = self.phasors;
        for (phasor, turn) in self.phasors.iter_mut().zip(&self.turns) {
            *phasor *= turn;
        }
        self.next += 1;
        // Near whole turns the sines are small, and their rounding counts.
        Some(if one.im.abs() < 1e-2 {
            dirichlet(self.length, nu)
        } else {
            quotient(self.length as f64, (one.im, one.re), (all.im, all.re))
        })
    }
}

/// sin(Nx)/sin(x) and its derivatives by ν from both sines and cosines.
fn quotient(n: f64, (s, c): (f64, f64), (sn, cn): (f64, f64)) -> Kernel {
    let value = sn / s;
    let slope = (n * cn - value * c) / s;
    let curvature = (-n * n * sn + value * s - 2.0 * slope * c) / s;
    Kernel {
        value,
        slope: PI * slope,
        curvature: PI * PI * curvature,
    }
}

/// Dirichlet kernel sin(Nx)/sin(x), x = πν.
fn dirichlet(length: usize, nu: f64) -> Kernel {
    let turns = nu.round();
    let sign = if length.is_multiple_of(2) && turns.rem_euclid(2.0) != 0.0 {
        -1.0
    } else {
        1.0
    };
    let n = length as f64;
    let x = PI * (nu - turns);
    let kernel = if (n * x).abs() < 0.02 {
        // Series about 0: D = N(1 − a x² + b x⁴), with the exact moments of the samples' places.
        let a = (n * n - 1.0) / 6.0;
        let b = (n * n - 1.0) * (3.0 * n * n - 7.0) / 360.0;
        let x2 = x * x;
        Kernel {
            value: n * (1.0 - a * x2 + b * x2 * x2),
            slope: PI * n * (-2.0 * a * x + 4.0 * b * x * x2),
            curvature: PI * PI * n * (-2.0 * a + 12.0 * b * x2),
        }
    } else {
        quotient(n, x.sin_cos(), (n * x).sin_cos())
    };
    Kernel {
        value: sign * kernel.value,
        slope: sign * kernel.slope,
        curvature: sign * kernel.curvature,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn multiples_are_those_one_by_one() {
        for (length, nu) in [(10_000usize, 0.005_001_3), (777, 0.021), (64, 0.25)] {
            for weighting in [Weighting::Rectangular, Weighting::Hann] {
                let row = Kernel::multiples(weighting, length, nu, 90);
                let n = length as f64;
                for (j, got) in row.iter().enumerate() {
                    let one = Kernel::at(weighting, length, j as f64 * nu);
                    assert_relative_eq!(got.value, one.value, epsilon = 1e-9 * n);
                    assert_relative_eq!(got.slope, one.slope, epsilon = 1e-8 * n * n);
                    assert_relative_eq!(got.curvature, one.curvature, epsilon = 1e-7 * n * n * n);
                }
            }
        }
    }

    #[test]
    fn agrees_with_the_plain_sum() {
        for length in [5usize, 64, 101] {
            for weighting in [Weighting::Rectangular, Weighting::Hann] {
                for nu in [
                    0.0,
                    1e-6,
                    0.0004,
                    0.013,
                    1.0 / 64.0,
                    0.21,
                    0.5,
                    0.73,
                    1.0,
                    1.01,
                ] {
                    let (mut value, mut slope, mut curvature) = (0.0, 0.0, 0.0);
                    for i in 0..length {
                        let m = i as f64 - 0.5 * (length as f64 - 1.0);
                        let v = match weighting {
                            Weighting::Rectangular => 1.0,
                            Weighting::Hann => 0.5 + 0.5 * (2.0 * PI * m / length as f64).cos(),
                        };
                        let (s, c) = (2.0 * PI * nu * m).sin_cos();
                        value += v * c;
                        slope -= v * 2.0 * PI * m * s;
                        curvature -= v * (2.0 * PI * m).powi(2) * c;
                    }
                    let k = Kernel::at(weighting, length, nu);
                    let n = length as f64;
                    assert_relative_eq!(k.value, value, epsilon = 1e-8 * n);
                    assert_relative_eq!(k.slope, slope, epsilon = 1e-6 * n * n);
                    assert_relative_eq!(k.curvature, curvature, epsilon = 1e-5 * n * n * n);
                }
            }
        }
    }
}

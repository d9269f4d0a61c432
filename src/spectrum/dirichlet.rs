//! Sums of weighted cosines over a record, in closed form.

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
                let (centre, left, right) = (
                    dirichlet(length, nu),
                    dirichlet(length, nu - bin),
                    dirichlet(length, nu + bin),
                );
                let mix = |part: fn(&Self) -> f64| {
                    0.5 * part(&centre) + 0.25 * (part(&left) + part(&right))
                };
                Self {
                    value: mix(|k| k.value),
                    slope: mix(|k| k.slope),
                    curvature: mix(|k| k.curvature),
                }
            }
        }
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
    let (value, slope, curvature) = if (n * x).abs() < 0.02 {
        // Series about 0: D = N(1 − a x² + b x⁴), with the exact moments of the samples' places.
        let a = (n * n - 1.0) / 6.0;
        let b = (n * n - 1.0) * (3.0 * n * n - 7.0) / 360.0;
        let x2 = x * x;
        (
            n * (1.0 - a * x2 + b * x2 * x2),
            n * (-2.0 * a * x + 4.0 * b * x * x2),
            n * (-2.0 * a + 12.0 * b * x2),
        )
    } else {
        let (s, c) = x.sin_cos();
        let (sn, cn) = (n * x).sin_cos();
        let value = sn / s;
        let slope = (n * cn - value * c) / s;
        let curvature = (-n * n * sn + value * s - 2.0 * slope * c) / s;
        (value, slope, curvature)
    };
    Kernel {
        value: sign * value,
        slope: sign * PI * slope,
        curvature: sign * PI * PI * curvature,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

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

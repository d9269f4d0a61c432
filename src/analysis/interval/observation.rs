//! What one sample says of the input, and the likelihood of that.
//!
//! A rounded sample says that the input lay within its step, a clipped one that it lay beyond the rail: under
//! Gaussian noise ln P = ln(Φ((b−μ)/σ) − Φ((a−μ)/σ)), concave in μ (J. W. Pratt, J. Am. Stat. Assoc. 76,
//! 1981). One between the rails of a fine converter says its value: the censored regression of J. Tobin,
//! Econometrica 26(1), 1958.

use crate::stats::{normal_cdf, normal_pdf};
use std::f64::consts::PI;

/// Distance in deviations beyond which a bound is as good as none.
const FAR: f64 = 9.0;
/// From here on Mills' ratio is summed by its series.
const TAIL: f64 = 20.0;

/// What a sample says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Said {
    Nothing,
    Exactly(f64),
    /// Between two bounds, one of which may be infinite.
    Within(f64, f64),
}

/// ln P of a sample with its derivatives by the mean μ and by s = ln σ.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct LogLikelihood {
    pub(crate) value: f64,
    pub(crate) by_mean: f64,
    pub(crate) by_scale: f64,
    pub(crate) mean_mean: f64,
    pub(crate) mean_scale: f64,
    pub(crate) scale_scale: f64,
}

impl Said {
    /// The likelihood for a mean and a deviation.
    pub(crate) fn log_likelihood(self, mean: f64, deviation: f64) -> LogLikelihood {
        match self {
            Self::Nothing => LogLikelihood::default(),
            Self::Exactly(x) => {
                let z = (x - mean) / deviation;
                LogLikelihood {
                    value: -0.5 * z * z - deviation.ln(),
                    by_mean: z / deviation,
                    by_scale: z * z - 1.0,
                    mean_mean: -1.0 / (deviation * deviation),
                    mean_scale: -2.0 * z / deviation,
                    scale_scale: -2.0 * z * z,
                }
            }
            Self::Within(low, high) => within(
                (low - mean) / deviation,
                (high - mean) / deviation,
                deviation,
            ),
        }
    }
}

fn within(a: f64, b: f64, deviation: f64) -> LogLikelihood {
    if a < -FAR && b > FAR {
        return LogLikelihood::default();
    }
    let (value, ra, rb) = ratios(a, b);
    // zⁿφ(z)/P, nothing at an infinite bound.
    let moment = |z: f64, ratio: f64, n: i32| if ratio > 0.0 { z.powi(n) * ratio } else { 0.0 };
    let difference = |n: i32| moment(a, ra, n) - moment(b, rb, n);
    let by_mean = (ra - rb) / deviation;
    let by_scale = difference(1);
    LogLikelihood {
        value,
        by_mean,
        by_scale,
        mean_mean: (by_scale / (deviation * deviation) - by_mean * by_mean).min(0.0),
        mean_scale: difference(2) / deviation - by_mean * (1.0 + by_scale),
        scale_scale: difference(3) - by_scale * (1.0 + by_scale),
    }
}

/// ln P, φ(a)/P and φ(b)/P of P = Φ(b) − Φ(a).
fn ratios(a: f64, b: f64) -> (f64, f64, f64) {
    if a > 0.0 {
        // φ(b)/φ(a); P/φ(a) = R(a) − R(b)·φ(b)/φ(a).
        let fall = if b.is_finite() {
            (-0.5 * (b - a) * (b + a)).exp()
        } else {
            0.0
        };
        let beyond = if fall > 0.0 { mills(b) * fall } else { 0.0 };
        let part = (mills(a) - beyond).max(f64::MIN_POSITIVE);
        let value = part.ln() - 0.5 * a * a - 0.5 * (2.0 * PI).ln();
        (value, 1.0 / part, fall / part)
    } else if b < 0.0 {
        let (value, rb, ra) = ratios(-b, -a);
        (value, ra, rb)
    } else {
        let p = (1.0 - normal_cdf(-b) - normal_cdf(a)).max(f64::MIN_POSITIVE);
        (p.ln(), normal_pdf(a) / p, normal_pdf(b) / p)
    }
}

/// Mills' ratio (1 − Φ(z))/φ(z) of a positive z.
fn mills(z: f64) -> f64 {
    if z < TAIL {
        normal_cdf(-z) / normal_pdf(z)
    } else {
        let w = 1.0 / (z * z);
        (1.0 - w * (1.0 - 3.0 * w * (1.0 - 5.0 * w))) / z
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Derivatives against differences of the values, on both sides, astride and far out.
    #[test]
    fn derivatives_are_those_of_the_value() {
        let cases = [
            Said::Exactly(0.3),
            Said::Within(-0.5, 0.5),
            Said::Within(0.2, 1.2),
            Said::Within(-3.0, -2.0),
            Said::Within(0.4, f64::INFINITY),
            Said::Within(f64::NEG_INFINITY, -1.5),
            Said::Within(12.0, 13.0),
        ];
        let (mean, scale, h) = (0.1, (-0.7f64).exp(), 1e-4);
        for said in cases {
            let at = |mean: f64, s: f64| said.log_likelihood(mean, scale * s.exp());
            let own = at(mean, 0.0);
            let (up, down) = (at(mean + h, 0.0), at(mean - h, 0.0));
            let (wide, thin) = (at(mean, h), at(mean, -h));
            let half = |a: f64, b: f64| (a - b) / (2.0 * h);
            let close = |got: f64, expected: f64| {
                assert_relative_eq!(got, expected, max_relative = 1e-5, epsilon = 1e-6);
            };
            close(own.by_mean, half(up.value, down.value));
            close(own.by_scale, half(wide.value, thin.value));
            close(own.mean_mean, half(up.by_mean, down.by_mean));
            close(own.mean_scale, half(wide.by_mean, thin.by_mean));
            close(own.scale_scale, half(wide.by_scale, thin.by_scale));
        }
    }
}

//! From one channel's mains series to another's: gain and delay, or a smooth function of frequency.

use crate::numeric::Cholesky;
use crate::separation::fit::{Fit, Fitter, Manner, whole_sums};
use crate::separation::methods::channels::GainDelay;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Squared misfit over its variance that noise reaches once in ten thousand.
const FAR: f64 = 9.0;
/// Orders, and share of them, that must be far from gain and delay before a function of frequency is fitted.
const FEWEST: usize = 3;
const SHARE: f64 = 0.3;
/// Degree of that function in the logarithm of frequency.
const DEGREE: usize = 3;
const ROUNDS: usize = 30;
/// Relative doubt about a gain found with another channel's noise in it, and doubt about the highest order's phase.
const DOUBT: f64 = 0.02;

/// What one order asks for.
pub(crate) struct Measured {
    /// Radians a sample.
    omega: f64,
    factor: Complex64,
    /// Mean square of the factor's error.
    variance: f64,
    /// Mean square of the order in the other channel.
    power: f64,
}

/// Fits the shape of another channel's hum, one complex factor an order, to `x`.
pub(crate) fn transfers(
    x: &[f64],
    missing: Option<Vec<f32>>,
    fitted: &Fit,
    rate_hz: f64,
) -> Vec<Measured> {
    const FITS: usize = 4;
    let shape = &fitted.model;
    let mut model = shape.clone();
    let mut fitter = Fitter::new(x, missing, &model, rate_hz);
    let n = shape.orders.len();
    let mut factors = vec![Complex64::default(); n];
    let mut measured = Vec::new();
    let fundamental = 2.0 * PI * shape.cycles() / x.len() as f64;
    for round in 0..FITS {
        for (piece, own) in model.constants.iter_mut().zip(&shape.constants) {
            for ((c, a), f) in piece.iter_mut().zip(own).zip(&factors) {
                *c = a * f;
            }
        }
        for (own, (from, f)) in model
            .deviations
            .iter_mut()
            .zip(shape.deviations.iter().zip(&factors))
        {
            *own = from.iter().map(|d| d * f).collect();
        }
        if round >= 2 && shape.intervals() > 8 {
            fitter.set_manner(Manner {
                wary: true,
                ..Manner::default()
            });
            fitter.down_weight(&model);
        }
        let sums = fitter.sums(&model);
        let (left, right) = whole_sums(&model, &sums);
        measured.clear();
        for o in 0..n {
            let (mut along, mut length, mut mass) = (Complex64::default(), 0.0, 0.0);
            for i in 0..shape.intervals() {
                let (a, b) = (shape.amplitude(o, i, i), shape.amplitude(o, i, i + 1));
                along += a.conj() * left[i * n + o] + b.conj() * right[i * n + o];
                let [aa, ab, bb] = sums.gram(i, o);
                length += aa * a.norm_sqr() + 2.0 * ab * (a.conj() * b).re + bb * b.norm_sqr();
                mass += aa + 2.0 * ab + bb;
            }
            factors[o] = if length > 0.0 {
                along / length
            } else {
                Complex64::default()
            };
            // The shape has errors of its own.
            let own = factors[o].norm_sqr() * fitted.noise.get(o).copied().unwrap_or(0.0);
            measured.push(Measured {
                omega: fundamental * shape.orders[o] as f64,
                factor: factors[o],
                variance: if length > 0.0 {
                    (sums.noise[o] + own) / length
                } else {
                    f64::INFINITY
                },
                power: if mass > 0.0 { 0.5 * length / mass } else { 0.0 },
            });
        }
    }
    measured
}

/// The factors that are taken, one an order.
pub(crate) struct Transfer {
    pub(crate) factors: Vec<Complex64>,
    pub(crate) gain: f64,
    pub(crate) delay: f64,
    /// Whether gain or delay depend on frequency.
    pub(crate) varies: bool,
    gain_variance: f64,
    delay_variance: f64,
}

impl Transfer {
    /// Gain and delay by all orders together, from what the channels as a whole say; an order that asks for another
    /// factor holds something of its own and has no say.
    pub(crate) fn new(measured: &[Measured], whole: &GainDelay) -> Self {
        let (mut gain, mut delay) = (whole.gain, whole.delay);
        let (mut gain_variance, mut delay_variance) = (whole.gain_variance, whole.delay_variance);
        // The channels as a whole know them less well than they say: the other's noise takes from the gain.
        let top = measured.iter().map(|m| m.omega).fold(1e-9, f64::max);
        let known = (
            1.0 / (whole.gain_variance + (DOUBT * whole.gain).powi(2)).max(1e-300),
            1.0 / (whole.delay_variance + (DOUBT / top).powi(2)),
        );
        for _ in 0..ROUNDS {
            let mut across = [known.0 * (whole.gain - gain), known.0];
            let mut behind = [known.1 * (whole.delay - delay), known.1];
            for m in measured.iter().filter(|m| m.variance.is_finite()) {
                let turn = Complex64::from_polar(1.0, -m.omega * delay);
                let rest = turn.conj() * (m.factor - gain * turn);
                let variance = m.variance.max(1e-300);
                let weight = 2.0 / variance / (1.0 + rest.norm_sqr() / variance / 4.0).powi(2);
                let slope = m.omega * gain;
                across[0] += weight * rest.re;
                across[1] += weight;
                behind[0] -= weight * slope * rest.im;
                behind[1] += weight * slope * slope;
            }
            let (by, to) = (
                across[0] / across[1].max(1e-300),
                behind[0] / behind[1].max(1e-300),
            );
            gain += by;
            delay += to.clamp(-0.5, 0.5);
            (gain_variance, delay_variance) =
                (1.0 / across[1].max(1e-300), 1.0 / behind[1].max(1e-300));
        }
        let plain = |m: &Measured| Complex64::from_polar(gain, -m.omega * delay);
        let far = |m: &&Measured| (m.factor - plain(m)).norm_sqr() > FAR * m.variance;
        let others = measured.iter().filter(far).count();
        let varies = others >= FEWEST && others as f64 > SHARE * measured.len() as f64;
        let mut factors: Vec<Complex64> = measured.iter().map(plain).collect();
        if varies {
            smooth(measured, &mut factors);
        }
        Self {
            factors,
            gain,
            delay,
            varies,
            gain_variance,
            delay_variance,
        }
    }

    /// Mean square by which the passed series is wrong for want of knowing the transfer.
    pub(crate) fn doubt(&self, measured: &[Measured]) -> f64 {
        let share = if self.varies {
            (DEGREE + 1) as f64 / measured.len() as f64
        } else {
            0.0
        };
        measured
            .iter()
            .map(|m| {
                let delay = self.delay_variance * (self.gain * m.omega).powi(2);
                let free = if m.variance.is_finite() {
                    share * m.variance
                } else {
                    0.0
                };
                m.power * (self.gain_variance + delay + free)
            })
            .sum()
    }
}

/// Puts a polynomial in the logarithm of frequency, robustly fitted to what the orders ask for, into `factors`.
fn smooth(measured: &[Measured], factors: &mut [Complex64]) {
    let used: Vec<usize> = (0..measured.len())
        .filter(|i| measured[*i].variance.is_finite())
        .collect();
    let count = (DEGREE + 1).min(used.len() / 3).max(1);
    let plain = factors.to_vec();
    let logs: Vec<f64> = measured.iter().map(|m| m.omega.max(1e-300).ln()).collect();
    let low = used.iter().map(|i| logs[*i]).fold(f64::INFINITY, f64::min);
    let high = used
        .iter()
        .map(|i| logs[*i])
        .fold(f64::NEG_INFINITY, f64::max);
    let row = |i: usize| -> Vec<f64> {
        let u = 2.0 * (logs[i] - low) / (high - low).max(1e-12) - 1.0;
        (0..count)
            .map(|p| u.clamp(-1.0, 1.0).powi(p as i32))
            .collect()
    };
    for round in 0..ROUNDS {
        let mut matrix = vec![0.0; count * count];
        let (mut re, mut im) = (vec![0.0; count], vec![0.0; count]);
        for &i in &used {
            let m = &measured[i];
            let scale = plain[i].norm_sqr().max(1e-300);
            let wanted = m.factor / plain[i];
            let misfit = (m.factor - factors[i]).norm_sqr() / m.variance.max(1e-300);
            // No order is thrown out before the curve has found its place.
            let bend = if round < 5 {
                100.0 * (5 - round) as f64
            } else {
                4.0
            };
            let weight = scale / m.variance.max(1e-300) / (1.0 + misfit / bend).powi(2);
            let row = row(i);
            for (p, a) in row.iter().enumerate() {
                re[p] += weight * a * wanted.re;
                im[p] += weight * a * wanted.im;
                for (q, b) in row.iter().enumerate() {
                    matrix[p * count + q] += weight * a * b;
                }
            }
        }
        for p in 0..count {
            matrix[p * count + p] *= 1.0 + 1e-9;
        }
        let Some(factor) = Cholesky::new(count, matrix) else {
            return;
        };
        factor.solve(&mut re);
        factor.solve(&mut im);
        for (i, f) in factors.iter_mut().enumerate() {
            let sum = row(i)
                .iter()
                .zip(re.iter().zip(&im))
                .fold(Complex64::default(), |sum, (a, (re, im))| {
                    sum + Complex64::new(*re, *im) * *a
                });
            *f = plain[i] * sum;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(transfer: impl Fn(f64) -> Complex64) -> Vec<Measured> {
        (1..=20)
            .map(|k| {
                let omega = 0.03 * f64::from(k);
                Measured {
                    omega,
                    factor: transfer(omega),
                    variance: 1e-6,
                    power: 1.0,
                }
            })
            .collect()
    }

    fn start() -> GainDelay {
        GainDelay {
            gain: 0.78,
            delay: 2.4,
            gain_variance: 1e-3,
            delay_variance: 0.1,
            floor: 0.0,
        }
    }

    #[test]
    fn one_order_that_differs_has_no_say() {
        let mut orders = asked(|omega| Complex64::from_polar(0.8, -2.5 * omega));
        orders[6].factor += Complex64::new(0.5, 0.2);
        let transfer = Transfer::new(&orders, &start());
        assert!(!transfer.varies);
        assert!((transfer.gain - 0.8).abs() < 1e-4 && (transfer.delay - 2.5).abs() < 1e-3);
        let expected = Complex64::from_polar(0.8, -2.5 * orders[6].omega);
        assert!((transfer.factors[6] - expected).norm() < 1e-3);
    }

    #[test]
    fn a_gain_that_rises_with_frequency_is_followed_past_a_tone() {
        let rising = |omega: f64| {
            Complex64::from_polar(0.8, -2.5 * omega) * (1.0 + 0.1 * (omega / 0.03).ln())
        };
        let mut orders = asked(rising);
        orders[6].factor += Complex64::new(0.5, 0.2);
        let transfer = Transfer::new(&orders, &start());
        assert!(transfer.varies);
        for (m, f) in orders.iter().zip(&transfer.factors) {
            assert!((f - rising(m.omega)).norm() < 5e-3, "{} {f}", m.omega);
        }
    }
}

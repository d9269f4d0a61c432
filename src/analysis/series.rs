//! Joint least squares of offset, drift and a harmonic series: the sine fit of IEEE Std 1057 with
//! many harmonics of one fundamental.
//!
//! Places are counted from the record's middle, m = n − (N−1)/2. Constant and cosines are even in m,
//! drift and sines odd, so the normal equations fall into two halves; their entries are sums of
//! weighted cosines in closed form and their right-hand sides values of one transform.

use super::cholesky::Cholesky;
use crate::spectrum::{Kernel, Nudft, Weighting, fft};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Up to this many orders a series is summed line by line.
const FEW_ORDERS: usize = 4;
const SIXTH: f64 = 1.0 / 6.0;

/// Fitted offset, drift and harmonics of one record.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesFit {
    /// Fundamental, cycles per sample.
    pub fundamental: f64,
    /// Samples fitted.
    pub length: usize,
    /// Value of the straight line at the record's middle.
    pub offset: f64,
    /// Change of the straight line from the middle to the end.
    pub drift: f64,
    /// Complex peak amplitudes of orders 1, 2, ..: harmonic k is Re(c·exp(j2πkνm)).
    pub harmonics: Vec<Complex64>,
}

impl SeriesFit {
    /// Mean square of the modelled harmonics.
    #[must_use]
    pub fn power(&self) -> f64 {
        0.5 * self.harmonics.iter().map(Complex64::norm_sqr).sum::<f64>()
    }

    /// Takes the harmonics, not offset and drift, out of the record's samples.
    ///
    /// The harmonics share one period, so they are summed once over a finely divided cycle and
    /// read off by cubic interpolation.
    pub fn subtract_harmonics(&self, samples: &mut [f64]) {
        if self.harmonics.is_empty() {
            return;
        }
        let middle = 0.5 * (self.length as f64 - 1.0);
        if self.harmonics.len() <= FEW_ORDERS {
            for (i, c) in self.harmonics.iter().enumerate() {
                subtract_line(samples, self.fundamental * (i + 1) as f64, middle, *c);
            }
            return;
        }
        let table = CycleTable::new(&self.harmonics);
        for (n, sample) in samples.iter_mut().enumerate() {
            *sample -= table.at(self.fundamental * (n as f64 - middle));
        }
    }

    /// The whole model, offset and drift included, at sample `n` of the record.
    #[must_use]
    pub fn value_at(&self, n: usize) -> f64 {
        let m = n as f64 - 0.5 * (self.length as f64 - 1.0);
        let hum: f64 = self
            .harmonics
            .iter()
            .enumerate()
            .map(|(i, c)| {
                (c * Complex64::cis(2.0 * PI * (self.fundamental * (i + 1) as f64 * m).fract())).re
            })
            .sum();
        self.offset + self.drift * 2.0 * m / self.length as f64 + hum
    }
}

/// Takes one line out by turning a phasor, set anew every 256 samples so that rounding does not add up.
fn subtract_line(samples: &mut [f64], nu: f64, middle: f64, amplitude: Complex64) {
    const BLOCK: usize = 256;
    let turn = Complex64::cis(2.0 * PI * nu);
    for (b, block) in samples.chunks_mut(BLOCK).enumerate() {
        let mut phasor =
            amplitude * Complex64::cis(2.0 * PI * (nu * ((b * BLOCK) as f64 - middle)).fract());
        for sample in block {
            *sample -= phasor.re;
            phasor *= turn;
        }
    }
}

/// One cycle of a harmonic series, finely divided.
#[derive(Debug, Clone)]
pub struct CycleTable {
    values: Vec<f64>,
    divisions: f64,
}

impl CycleTable {
    /// Sums the series over one cycle.
    #[must_use]
    pub fn new(harmonics: &[Complex64]) -> Self {
        // 128 divisions a period of the highest order: cubic interpolation is good to 1e-7 of it.
        let divisions = (128 * harmonics.len().max(1)).next_power_of_two().max(1024);
        let plan = fft::inverse(divisions);
        let mut spectrum = plan.make_input_vec();
        for (slot, c) in spectrum.iter_mut().skip(1).zip(harmonics) {
            *slot = 0.5 * c;
        }
        let mut cycle = plan.make_output_vec();
        if plan.process(&mut spectrum, &mut cycle).is_err() {
            cycle.fill(0.0);
        }
        // One value before and four behind, so that interpolation needs no wrapping.
        let mut values = Vec::with_capacity(divisions + 5);
        values.push(cycle[divisions - 1]);
        values.extend_from_slice(&cycle);
        values.extend_from_slice(&cycle[..4]);
        Self {
            values,
            divisions: divisions as f64,
        }
    }

    /// The series at a phase of its fundamental, in cycles.
    #[must_use]
    pub fn at(&self, cycles: f64) -> f64 {
        // The part of a cycle, without a call for floor.
        let part = cycles - cycles as i64 as f64;
        let part = if part < 0.0 { part + 1.0 } else { part };
        let position = part * self.divisions;
        let index = position as usize;
        let t = position - index as f64;
        match self.values.get(index..index + 4) {
            Some(&[a, b, c, d]) => {
                // Lagrange through four neighbours.
                let (tp, tm, t2) = (t + 1.0, t - 1.0, t - 2.0);
                (d * tp - a * t2) * (t * tm * SIXTH) + (b * tm - c * t) * (tp * t2 * 0.5)
            }
            _ => 0.0,
        }
    }
}

/// The normal equations of a fit at one fundamental.
#[derive(Debug, Clone)]
pub(super) struct Design {
    length: usize,
    weighting: Weighting,
    fundamental: f64,
    orders: usize,
    /// Whether the straight line may slope.
    drift: bool,
    /// Kernels at 0, ν, 2ν, .. 2Kν.
    kernels: Vec<Kernel>,
    even: Cholesky,
    odd: Cholesky,
}

/// A step of the fundamental, with what it rests on.
#[derive(Debug, Clone)]
pub(super) struct FrequencyStep {
    /// To add to the fundamental, cycles per sample.
    pub(super) step: f64,
    /// Variance of the fundamental, (cycles per sample)².
    pub(super) variance: f64,
    /// Change of offset, drift and of each harmonic's complex amplitude with the fundamental.
    pub(super) offset_slope: f64,
    pub(super) harmonic_slopes: Vec<Complex64>,
}

/// Variances of the fitted coefficients.
#[derive(Debug, Clone)]
pub(super) struct CoefficientVariances {
    pub(super) offset: f64,
    /// Mean variance of each harmonic's cosine and sine coefficient.
    pub(super) harmonics: Vec<f64>,
    /// Variance of each harmonic's cosine and of its sine coefficient, about the record's middle.
    pub(super) parts: Vec<(f64, f64)>,
}

impl Design {
    /// `None` where the record does not determine the model.
    pub(super) fn new(
        length: usize,
        weighting: Weighting,
        fundamental: f64,
        orders: usize,
    ) -> Option<Self> {
        Self::with_drift(length, weighting, fundamental, orders, true)
    }

    /// With the straight line's slope fitted, or held at nothing.
    pub(super) fn with_drift(
        length: usize,
        weighting: Weighting,
        fundamental: f64,
        orders: usize,
        drift: bool,
    ) -> Option<Self> {
        let kernels: Vec<Kernel> = (0..=2 * orders)
            .map(|j| Kernel::at(weighting, length, j as f64 * fundamental))
            .collect();
        let size = orders + 1;
        let scale = 2.0 / length as f64;
        let mut even = vec![0.0; size * size];
        let mut odd = vec![0.0; size * size];
        even[0] = kernels[0].value;
        odd[0] = -kernels[0].curvature / (4.0 * PI * PI) * scale * scale;
        for k in 1..size {
            even[k * size] = kernels[k].value;
            if drift {
                odd[k * size] = -kernels[k].slope / (2.0 * PI) * scale;
            }
            for l in 1..=k {
                let (minus, plus) = (kernels[k - l].value, kernels[k + l].value);
                even[k * size + l] = 0.5 * (minus + plus);
                odd[k * size + l] = 0.5 * (minus - plus);
            }
        }
        Some(Self {
            length,
            weighting,
            fundamental,
            orders,
            drift,
            even: Cholesky::new(size, even)?,
            odd: Cholesky::new(size, odd)?,
            kernels,
        })
    }

    pub(super) fn fit(&self, transform: &Nudft) -> SeriesFit {
        let scale = 2.0 / self.length as f64;
        let mut even = vec![0.0; self.orders + 1];
        let mut odd = vec![0.0; self.orders + 1];
        let (value, slope) = weighted(transform, self.weighting, 0.0);
        even[0] = value.re;
        if self.drift {
            odd[0] = -slope.im / (2.0 * PI) * scale;
        }
        for k in 1..=self.orders {
            let value = weighted_value(transform, self.weighting, k as f64 * self.fundamental);
            even[k] = value.re;
            odd[k] = -value.im;
        }
        self.even.solve(&mut even);
        self.odd.solve(&mut odd);
        SeriesFit {
            fundamental: self.fundamental,
            length: self.length,
            offset: even[0],
            drift: odd[0],
            harmonics: (1..=self.orders)
                .map(|k| Complex64::new(even[k], -odd[k]))
                .collect(),
        }
    }

    /// One Gauss-Newton step of the fundamental with each order weighted by `weights` (the inverse
    /// of its noise variance a sample; 0 leaves it out) and an optional prior (value, variance).
    ///
    /// With d_k the derivative of harmonic k by the fundamental and ⊥ what the other parameters do
    /// not explain, δ = Σ w_k⟨d_k⊥, r⟩ / Σ w_k⟨d_k⊥, Σ d_l⟩.
    pub(super) fn frequency_step(
        &self,
        transform: &Nudft,
        fit: &SeriesFit,
        weights: &[f64],
        prior: Option<(f64, f64)>,
    ) -> FrequencyStep {
        let scale = 2.0 / self.length as f64;
        let size = self.orders + 1;
        let slope = |j: usize, negative: bool| {
            if negative {
                -self.kernels[j].slope
            } else {
                self.kernels[j].slope
            }
        };
        let mut products_even = vec![0.0; size];
        let mut products_odd = vec![0.0; size];
        let mut weighted_even = vec![0.0; size];
        let mut weighted_odd = vec![0.0; size];
        let mut residual = 0.0;
        let mut curvature = 0.0;
        let used: Vec<usize> = (1..size)
            .filter(|&k| fit.harmonics[k - 1].norm_sqr() > 0.0)
            .collect();
        for &k in &used {
            let c = fit.harmonics[k - 1];
            let (a, b, order) = (c.re, -c.im, k as f64);
            let w = weights[k - 1];
            // ⟨d_k, A⟩ by column.
            let mut add = |even: bool, column: usize, value: f64| {
                let (all, own) = if even {
                    (&mut products_even[column], &mut weighted_even[column])
                } else {
                    (&mut products_odd[column], &mut weighted_odd[column])
                };
                *all += value;
                *own += w * value;
            };
            add(true, 0, order * a * self.kernels[k].slope);
            add(
                false,
                0,
                -order * b * self.kernels[k].curvature / (2.0 * PI) * scale,
            );
            for l in 1..size {
                let difference = slope(k.abs_diff(l), k < l);
                let sum = self.kernels[k + l].slope;
                add(true, l, 0.5 * order * a * (sum + difference));
                add(false, l, -0.5 * order * b * (sum - difference));
            }
            if w > 0.0 {
                let (_, derivative) = weighted(transform, self.weighting, order * self.fundamental);
                residual += w * order * (a * derivative.re - b * derivative.im);
                for &l in &used {
                    let c = fit.harmonics[l - 1];
                    let (al, bl) = (c.re, -c.im);
                    let minus = self.kernels[k.abs_diff(l)].curvature;
                    let plus = self.kernels[k + l].curvature;
                    curvature -= w
                        * order
                        * l as f64
                        * 0.5
                        * (a * al * (minus - plus) + b * bl * (minus + plus));
                }
            }
        }
        if !self.drift {
            products_odd[0] = 0.0;
            weighted_odd[0] = 0.0;
        }
        // Explained by the other parameters: residual −= Σw p_k·θ, curvature −= Σw p_k·G⁻¹Σp.
        let mut theta_even = vec![fit.offset];
        let mut theta_odd = vec![fit.drift];
        theta_even.extend(fit.harmonics.iter().map(|c| c.re));
        theta_odd.extend(fit.harmonics.iter().map(|c| -c.im));
        residual -= dot(&weighted_even, &theta_even) + dot(&weighted_odd, &theta_odd);
        self.even.solve(&mut products_even);
        self.odd.solve(&mut products_odd);
        curvature -= dot(&weighted_even, &products_even) + dot(&weighted_odd, &products_odd);
        // Under Hann weights Σv²m²/Σvm² = 0.4590 of the scatter's square stays.
        let spread = match self.weighting {
            Weighting::Rectangular => 1.0,
            Weighting::Hann => 0.4590,
        };
        let mut information = curvature.max(0.0);
        let mut numerator = residual;
        if let Some((expected, variance)) = prior {
            information += spread / variance;
            numerator += (expected - self.fundamental) * spread / variance;
        }
        FrequencyStep {
            step: if information > 0.0 {
                numerator / information
            } else {
                0.0
            },
            variance: if information > 0.0 {
                spread / information
            } else {
                f64::INFINITY
            },
            offset_slope: -products_even[0],
            harmonic_slopes: (1..size)
                .map(|k| Complex64::new(-products_even[k], products_odd[k]))
                .collect(),
        }
    }

    /// Variances of the coefficients where column j meets noise of variance `noise[j]` a sample
    /// (index 0: offset and drift; k: order k): G⁻¹D^½GD^½G⁻¹, exact for white noise and for
    /// orthogonal columns.
    pub(super) fn variances(&self, noise: &[f64]) -> CoefficientVariances {
        let spread = match self.weighting {
            Weighting::Rectangular => 1.0,
            Weighting::Hann => 0.75,
        };
        let size = self.orders + 1;
        let roots: Vec<f64> = noise.iter().map(|v| v.max(0.0).sqrt()).collect();
        let variance = |factor: &Cholesky, column: usize| {
            let mut v = vec![0.0; size];
            v[column] = 1.0;
            factor.solve(&mut v);
            for (value, root) in v.iter_mut().zip(&roots) {
                *value *= root;
            }
            spread * factor.quadratic_form(&v)
        };
        let parts: Vec<(f64, f64)> = (1..size)
            .map(|k| (variance(&self.even, k), variance(&self.odd, k)))
            .collect();
        CoefficientVariances {
            offset: variance(&self.even, 0),
            harmonics: parts.iter().map(|(a, b)| 0.5 * (a + b)).collect(),
            parts,
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Transform of the weighted record, with its derivative by ν.
fn weighted(transform: &Nudft, weighting: Weighting, nu: f64) -> (Complex64, Complex64) {
    match weighting {
        Weighting::Rectangular => transform.with_slope(nu),
        Weighting::Hann => {
            let bin = 1.0 / transform.len() as f64;
            let (centre, centre_slope) = transform.with_slope(nu);
            let (left, left_slope) = transform.with_slope(nu - bin);
            let (right, right_slope) = transform.with_slope(nu + bin);
            (
                0.5 * centre + 0.25 * (left + right),
                0.5 * centre_slope + 0.25 * (left_slope + right_slope),
            )
        }
    }
}

/// Transform of the weighted record.
pub(super) fn weighted_value(transform: &Nudft, weighting: Weighting, nu: f64) -> Complex64 {
    match weighting {
        Weighting::Rectangular => transform.at(nu),
        Weighting::Hann => {
            let bin = 1.0 / transform.len() as f64;
            0.5 * transform.at(nu) + 0.25 * (transform.at(nu - bin) + transform.at(nu + bin))
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn record(length: usize, nu: f64, harmonics: &[Complex64]) -> Vec<f64> {
        let middle = 0.5 * (length as f64 - 1.0);
        (0..length)
            .map(|n| {
                let m = n as f64 - middle;
                let hum: f64 = harmonics
                    .iter()
                    .enumerate()
                    .map(|(i, c)| (c * Complex64::cis(2.0 * PI * nu * (i + 1) as f64 * m)).re)
                    .sum();
                0.25 + 0.1 * 2.0 * m / length as f64 + hum
            })
            .collect()
    }

    #[test]
    fn recovers_a_noiseless_series_and_its_frequency() {
        let truth = [
            Complex64::new(1.0, 0.3),
            Complex64::new(0.0, 0.0),
            Complex64::new(-0.2, 0.1),
        ];
        for weighting in [Weighting::Rectangular, Weighting::Hann] {
            for (length, nu) in [(1000, 0.005003), (1001, 0.05), (150, 0.0203)] {
                let x = record(length, nu, &truth);
                let transform = Nudft::new(&x);
                let mut guess = nu * (1.0 + 0.1 / (nu * length as f64));
                for _ in 0..8 {
                    let design = Design::new(length, weighting, guess, 3).unwrap();
                    let fit = design.fit(&transform);
                    guess += design
                        .frequency_step(&transform, &fit, &[1.0; 3], None)
                        .step;
                }
                assert_relative_eq!(guess, nu, max_relative = 1e-9);
                let fit = Design::new(length, weighting, guess, 3)
                    .unwrap()
                    .fit(&transform);
                assert_relative_eq!(fit.offset, 0.25, max_relative = 1e-8);
                assert_relative_eq!(fit.drift, 0.1, max_relative = 1e-7);
                for (got, expected) in fit.harmonics.iter().zip(&truth) {
                    assert!((got - expected).norm() < 1e-8);
                }
                let mut rest = x.clone();
                fit.subtract_harmonics(&mut rest);
                for (n, r) in rest.iter().enumerate() {
                    let m = n as f64 - 0.5 * (length as f64 - 1.0);
                    assert!((r - 0.25 - 0.2 * m / length as f64).abs() < 3e-7);
                    assert!((fit.value_at(n) - x[n]).abs() < 1e-8);
                }
            }
        }
    }
}

//! Joint least squares of offset, drift and a harmonic series: the sine fit of IEEE Std 1057 with
//! many harmonics of one fundamental.
//!
//! Places are counted from the record's middle, m = n − (N−1)/2. Constant and cosines are even in m,
//! drift and sines odd, so the normal equations fall into two halves; their entries are sums of
//! weighted cosines in closed form and their right-hand sides values of one transform.

use super::fit::SeriesFit;
use super::remainder::Transform;
use crate::numeric::{Cholesky, plain_dot, vectorised};
use crate::spectrum::{Kernel, Weighting};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the scatter's square that stays under Hann weights: Σv²m²/Σvm².
const HANN_FREQUENCY: f64 = 0.4590;
/// What the diagonal of an order that is not fitted is raised by: its coefficients come out as nothing.
const MUTE: f64 = 1e14;

/// The normal equations of a fit at one fundamental.
#[derive(Debug, Clone)]
pub(crate) struct Design {
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
pub(crate) struct FrequencyStep {
    /// To add to the fundamental, cycles per sample.
    pub(crate) step: f64,
    /// Variance of the fundamental, (cycles per sample)².
    pub(crate) variance: f64,
    /// Change of offset, drift and of each harmonic's complex amplitude with the fundamental.
    pub(crate) offset_slope: f64,
    pub(crate) harmonic_slopes: Vec<Complex64>,
}

impl Design {
    /// `None` where the record does not determine the model.
    pub(crate) fn new(
        length: usize,
        weighting: Weighting,
        fundamental: f64,
        orders: usize,
        muted: &[usize],
    ) -> Option<Self> {
        Self::with_drift(length, weighting, fundamental, orders, muted, true)
    }

    /// With the straight line's slope fitted, or held at nothing.
    pub(crate) fn with_drift(
        length: usize,
        weighting: Weighting,
        fundamental: f64,
        orders: usize,
        muted: &[usize],
        drift: bool,
    ) -> Option<Self> {
        let kernels = Kernel::multiples(weighting, length, fundamental, 2 * orders);
        let size = orders + 1;
        let scale = 2.0 / length as f64;
        let mut even = vec![0.0; size * size];
        let mut odd = vec![0.0; size * size];
        even[0] = kernels[0].value;
        odd[0] = -kernels[0].curvature / (4.0 * PI * PI) * scale * scale;
        let halves: Vec<f64> = kernels.iter().map(|k| 0.5 * k.value).collect();
        for k in 1..size {
            even[k] = kernels[k].value;
            if drift {
                odd[k] = -kernels[k].slope / (2.0 * PI) * scale;
            }
            // From the diagonal on: those of difference 0, 1, .. and of sum 2k, 2k+1, ..
            let (minus, plus) = (&halves[..size - k], &halves[2 * k..]);
            let places = k * size + k..(k + 1) * size;
            for (value, (m, p)) in even[places.clone()].iter_mut().zip(minus.iter().zip(plus)) {
                *value = m + p;
            }
            for (value, (m, p)) in odd[places].iter_mut().zip(minus.iter().zip(plus)) {
                *value = m - p;
            }
        }
        for k in muted.iter().filter(|&&k| k < size) {
            even[k * size + k] *= MUTE;
            odd[k * size + k] *= MUTE;
        }
        Some(Self {
            length,
            weighting,
            fundamental,
            orders,
            drift,
            even: Cholesky::of_upper(size, even)?,
            odd: Cholesky::of_upper(size, odd)?,
            kernels,
        })
    }

    pub(crate) fn fit(&self, transform: &impl Transform) -> SeriesFit {
        self.fit_by(transform, |nu| {
            weighted_value(transform, self.weighting, nu)
        })
    }

    /// A fit and its Gauss-Newton step, each order weighted as `weights` of the fit say: see [`Design::frequency_step`].
    pub(crate) fn fit_with_step<T: Transform>(
        &self,
        transform: &T,
        weights: impl Fn(&SeriesFit) -> Vec<f64>,
        prior: Option<(f64, f64)>,
    ) -> (SeriesFit, FrequencyStep) {
        if self.weighting == Weighting::Hann {
            let fit = self.fit(transform);
            let step = self.frequency_step(transform, &fit, &weights(&fit), prior);
            return (fit, step);
        }
        // Where the orders lie serves both.
        let mut beside = Vec::with_capacity(self.orders);
        let fit = self.fit_by(transform, |nu| {
            let (value, place) = transform.at_with(nu);
            beside.push(place);
            value
        });
        let slope = |k: usize| transform.slope(&beside[k - 1]);
        let step = self.step_by(&fit, &weights(&fit), prior, &slope);
        (fit, step)
    }

    /// The fit; `value` gives the transform at each order in turn.
    fn fit_by(
        &self,
        transform: &impl Transform,
        mut value: impl FnMut(f64) -> Complex64,
    ) -> SeriesFit {
        let scale = 2.0 / self.length as f64;
        let mut even = vec![0.0; self.orders + 1];
        let mut odd = vec![0.0; self.orders + 1];
        let (line, slope) = weighted(transform, self.weighting, 0.0);
        even[0] = line.re;
        if self.drift {
            odd[0] = -slope.im / (2.0 * PI) * scale;
        }
        for k in 1..=self.orders {
            let value = value(k as f64 * self.fundamental);
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
    pub(crate) fn frequency_step(
        &self,
        transform: &impl Transform,
        fit: &SeriesFit,
        weights: &[f64],
        prior: Option<(f64, f64)>,
    ) -> FrequencyStep {
        let slope = |k: usize| weighted(transform, self.weighting, k as f64 * self.fundamental).1;
        self.step_by(fit, weights, prior, &slope)
    }

    /// The step; `slope` is the transform's at an order.
    fn step_by(
        &self,
        fit: &SeriesFit,
        weights: &[f64],
        prior: Option<(f64, f64)>,
        slope: &dyn Fn(usize) -> Complex64,
    ) -> FrequencyStep {
        let size = self.orders + 1;
        let mut sums = self.step_sums(fit, weights, slope);
        if !self.drift {
            sums.odd[0] = 0.0;
            sums.weighted_odd[0] = 0.0;
        }
        // Explained by the other parameters: residual −= Σw p_k·θ, curvature −= Σw p_k·G⁻¹Σp.
        let mut theta_even = vec![fit.offset];
        let mut theta_odd = vec![fit.drift];
        theta_even.extend(fit.harmonics.iter().map(|c| c.re));
        theta_odd.extend(fit.harmonics.iter().map(|c| -c.im));
        let mut numerator = sums.residual
            - (plain_dot(&sums.weighted_even, &theta_even)
                + plain_dot(&sums.weighted_odd, &theta_odd));
        self.even.solve(&mut sums.even);
        self.odd.solve(&mut sums.odd);
        let curvature = sums.curvature
            - (plain_dot(&sums.weighted_even, &sums.even)
                + plain_dot(&sums.weighted_odd, &sums.odd));
        let spread = match self.weighting {
            Weighting::Rectangular => 1.0,
            Weighting::Hann => HANN_FREQUENCY,
        };
        let mut information = curvature.max(0.0);
        if let Some((expected, variance)) = prior {
            information += spread / variance;
            numerator += (expected - self.fundamental) * spread / variance;
        }
        let (step, variance) = if information > 0.0 {
            (numerator / information, spread / information)
        } else {
            (0.0, f64::INFINITY)
        };
        FrequencyStep {
            step,
            variance,
            offset_slope: -sums.even[0],
            harmonic_slopes: (1..size)
                .map(|k| Complex64::new(-sums.even[k], sums.odd[k]))
                .collect(),
        }
    }

    fn step_sums(
        &self,
        fit: &SeriesFit,
        weights: &[f64],
        slope: &dyn Fn(usize) -> Complex64,
    ) -> StepSums {
        let size = self.orders + 1;
        let mut sums = StepSums::new(size);
        let used: Vec<usize> = (1..size)
            .filter(|&k| fit.harmonics[k - 1].norm_sqr() > 0.0)
            .collect();
        // Halves of the slopes at −K+1, .. 2K, those at negative multiples turned about.
        let halves: Vec<f64> = (1..self.orders)
            .rev()
            .map(|j| -0.5 * self.kernels[j].slope)
            .chain(self.kernels.iter().map(|k| 0.5 * k.slope))
            .collect();
        for &k in &used {
            let c = fit.harmonics[k - 1];
            let (a, b, order) = (c.re, -c.im, k as f64);
            let w = weights[k - 1];
            sums.add_products(self, k, c, w, &halves);
            if w > 0.0 {
                let derivative = slope(k);
                sums.residual += w * order * (a * derivative.re - b * derivative.im);
                for &l in &used {
                    let c = fit.harmonics[l - 1];
                    let (al, bl) = (c.re, -c.im);
                    let minus = self.kernels[k.abs_diff(l)].curvature;
                    let plus = self.kernels[k + l].curvature;
                    sums.curvature -= w
                        * order
                        * l as f64
                        * 0.5
                        * (a * al * (minus - plus) + b * bl * (minus + plus));
                }
            }
        }
        sums
    }

    /// Variances of each harmonic's cosine and sine coefficient where column j meets noise of variance `noise[j]` a sample
    /// (index 0: offset and drift; k: order k): G⁻¹D^½GD^½G⁻¹, exact for white noise and for
    /// orthogonal columns.
    pub(crate) fn variances(&self, noise: &[f64]) -> Vec<(f64, f64)> {
        let spread = self.spread();
        let size = self.orders + 1;
        let roots: Vec<f64> = noise.iter().map(|v| v.max(0.0).sqrt()).collect();
        let variances = |factor: &Cholesky| -> Vec<f64> {
            let mut inverse = factor.inverse();
            inverse
                .chunks_exact_mut(size)
                .skip(1)
                .map(|v| {
                    for (value, root) in v.iter_mut().zip(&roots) {
                        *value *= root;
                    }
                    spread * factor.quadratic_form(v)
                })
                .collect()
        };
        variances(&self.even)
            .into_iter()
            .zip(variances(&self.odd))
            .collect()
    }

    /// Variance of the offset, noise as in [`Design::variances`].
    pub(crate) fn offset_variance(&self, noise: &[f64]) -> f64 {
        let mut v = vec![0.0; self.orders + 1];
        v[0] = 1.0;
        self.even.solve(&mut v);
        for (value, power) in v.iter_mut().zip(noise) {
            *value *= power.max(0.0).sqrt();
        }
        self.spread() * self.even.quadratic_form(&v)
    }

    /// Scatter of a weighted fit's coefficients against G⁻¹: Σv²/Σv.
    fn spread(&self) -> f64 {
        match self.weighting {
            Weighting::Rectangular => 1.0,
            Weighting::Hann => 0.75,
        }
    }
}

/// Sums that a step of the fundamental rests on.
struct StepSums {
    /// Σ⟨d_k, A⟩ by even and odd columns, plain and weighted.
    even: Vec<f64>,
    odd: Vec<f64>,
    weighted_even: Vec<f64>,
    weighted_odd: Vec<f64>,
    /// Σw⟨d_k, r⟩ and Σw⟨d_k, Σd_l⟩.
    residual: f64,
    curvature: f64,
}

impl StepSums {
    fn new(size: usize) -> Self {
        Self {
            even: vec![0.0; size],
            odd: vec![0.0; size],
            weighted_even: vec![0.0; size],
            weighted_odd: vec![0.0; size],
            residual: 0.0,
            curvature: 0.0,
        }
    }

    /// Adds ⟨d_k, A⟩ by column for an order of amplitude `c` and weight `w`.
    fn add_products(&mut self, design: &Design, k: usize, c: Complex64, w: f64, halves: &[f64]) {
        let orders = design.orders;
        let (a, b, order) = (c.re, -c.im, k as f64);
        let scale = 2.0 / design.length as f64;
        let first_even = order * a * design.kernels[k].slope;
        let first_odd = -order * b * design.kernels[k].curvature / (2.0 * PI) * scale;
        self.even[0] += first_even;
        self.odd[0] += first_odd;
        if w > 0.0 {
            self.weighted_even[0] += w * first_even;
            self.weighted_odd[0] += w * first_odd;
        }
        // Sums k+1, .. k+K and differences 1−k, .. K−k, whose slopes are those of k−l with the sign turned.
        let zero = orders.saturating_sub(1);
        let sums = &halves[zero + k + 1..zero + k + 1 + orders];
        let differences = &halves[zero + 1 - k..zero + 1 - k + orders];
        let (even, odd) = (&mut self.even[1..], &mut self.odd[1..]);
        let (w_even, w_odd) = (&mut self.weighted_even[1..], &mut self.weighted_odd[1..]);
        vectorised(
            #[inline(always)]
            || {
                add_products(even, sums, differences, order * a, -1.0);
                add_products(odd, sums, differences, -order * b, 1.0);
                if w > 0.0 {
                    add_products(w_even, sums, differences, w * order * a, -1.0);
                    add_products(w_odd, sums, differences, -w * order * b, 1.0);
                }
            },
        );
    }
}

/// factor·(sum + sign·difference) added to each product.
#[inline(always)]
fn add_products(products: &mut [f64], sums: &[f64], differences: &[f64], factor: f64, sign: f64) {
    for ((product, sum), difference) in products.iter_mut().zip(sums).zip(differences) {
        *product += factor * (sum + sign * difference);
    }
}

/// Transform of the weighted record, with its derivative by ν.
fn weighted(transform: &impl Transform, weighting: Weighting, nu: f64) -> (Complex64, Complex64) {
    match weighting {
        Weighting::Rectangular => transform.with_slope(nu),
        Weighting::Hann => {
            let bin = 1.0 / transform.length() as f64;
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
pub(crate) fn weighted_value(
    transform: &impl Transform,
    weighting: Weighting,
    nu: f64,
) -> Complex64 {
    match weighting {
        Weighting::Rectangular => transform.at(nu),
        Weighting::Hann => {
            let bin = 1.0 / transform.length() as f64;
            0.5 * transform.at(nu) + 0.25 * (transform.at(nu - bin) + transform.at(nu + bin))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Nudft;
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
                    let design = Design::new(length, weighting, guess, 3, &[]).unwrap();
                    let fit = design.fit(&transform);
                    guess += design
                        .frequency_step(&transform, &fit, &[1.0; 3], None)
                        .step;
                }
                assert_relative_eq!(guess, nu, max_relative = 1e-9);
                let fit = Design::new(length, weighting, guess, 3, &[])
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

//! Amplitudes near the noise floor.
//!
//! A line fitted in noise is seen as r² = Σ of its m real components' squares. In units of one
//! component's noise variance s², x = r²/s² is noncentral chi-square with m degrees of freedom and
//! noncentrality λ = A²/s² (for m = 2 the amplitude is Rice distributed; S. O. Rice, BSTJ 1944/45).
//! The interval for A is that of all λ for which x is no surprise: F(x; m, λ) is inverted in λ.
//!
//! Where s² is itself an estimate with ν degrees of freedom, F is averaged over s²'s fiducial
//! distribution ν ŝ²/χ²_ν (a generalized pivotal quantity: S. Weerahandi, JASA 88, 1993). At A = 0
//! that is the F test, far above the noise it is Student's t with ν degrees of freedom.

use super::Estimate;
use super::quantile::{
    f_cdf, f_quantile, normal_cdf, normal_pdf, normal_quantile, student_at_score,
};
use statrs::function::gamma::{checked_gamma_lr, ln_gamma};

/// Up to this many components the distribution is summed as a series.
const SERIES_COMPONENTS: f64 = 200.0;

/// Gauss-Hermite nodes and weights for a standard normal variable (Abramowitz & Stegun 25.10).
const HERMITE_3: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];
const HERMITE_5: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_7),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (2.856_970_013_872_806, 0.011_257_411_327_720_7),
];
const HERMITE_7: [(f64, f64); 7] = [
    (-3.750_439_717_725_742, 5.482_688_559_722_2e-4),
    (-2.366_759_410_734_541, 0.030_757_123_967_586_5),
    (-1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (0.0, 0.457_142_857_142_857_1),
    (1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (2.366_759_410_734_541, 0.030_757_123_967_586_5),
    (3.750_439_717_725_742, 5.482_688_559_722_2e-4),
];

/// An observed line in units of its noise: what the inversion works on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NoisyLine {
    /// x = r²/s², raised to the smallest value that is taken at its word (see [`line_rms`]).
    x: f64,
    /// One component's noise variance.
    scale_v2: f64,
    components: f64,
    noise_dof: f64,
    /// Probability of less than x from noise alone.
    pub(crate) noise_probability: f64,
}

impl NoisyLine {
    /// `None` where there is no noise to speak of, or nothing to compute with.
    pub(crate) fn new(
        observed_v2: f64,
        noise_v2: f64,
        components: f64,
        noise_dof: f64,
        confidence: f64,
    ) -> Option<Self> {
        let usable = observed_v2.is_finite() && noise_v2.is_finite() && components.is_finite();
        if !usable || noise_v2 <= 0.0 || components <= 0.0 {
            return None;
        }
        // Below zero where the noise was taken off by products of different records.
        let observed_v2 = observed_v2.max(0.0);
        let noise_dof = if noise_dof >= 1.0 { noise_dof } else { 1.0 };
        let scale_v2 = noise_v2 / components;
        if scale_v2 <= 0.0 || !(observed_v2 / scale_v2).is_finite() {
            return None;
        }
        let mut line = Self {
            x: observed_v2 / scale_v2,
            scale_v2,
            components,
            noise_dof,
            noise_probability: 1.0,
        };
        if !is_far_above_noise(line.x, components) {
            let smallest = (2.0 * (1.0 - confidence)).min(0.5);
            line.noise_probability = f_cdf(line.x / components, components, noise_dof);
            if line.noise_probability < smallest {
                line.x = components * f_quantile(smallest, components, noise_dof);
                line.noise_probability = smallest;
            }
        }
        Some(line)
    }

    /// The amplitude's square for which an observation below x has probability `1 - Φ(z)`: the
    /// quantile Φ(z) of the amplitude's confidence distribution; 0 where none is low enough.
    pub(crate) fn power_quantile(&self, z: f64) -> f64 {
        let bias = 0.5 * (self.components - 1.0);
        // how much the uncertainty of the subtracted noise power adds to the line's own variance
        let subtraction = self.components.powi(2) / (2.0 * self.noise_dof * self.x);
        if is_far_above_noise(self.x, self.components) && subtraction < 1e-3 {
            let t = student_at_score(z, self.noise_dof);
            let root = (self.x - bias).sqrt() + t;
            return (root.max(0.0).powi(2) - bias).max(0.0) * self.scale_v2;
        }
        if self.noise_probability <= normal_cdf(-z) {
            return 0.0;
        }
        let guess = ((self.x - bias).max(0.25).sqrt() + z).max(0.3);
        let a = solve_falling(guess, -z, |a| self.averaged(a));
        a * a * self.scale_v2
    }

    /// Probability of less than x at amplitude `a` (in units of s), averaged over s, and its
    /// derivative with respect to `a`.
    fn averaged(&self, a: f64) -> (f64, f64) {
        if self.noise_dof == f64::INFINITY {
            let (p, slope) = noncentral_chi_square(self.x, self.components, a * a);
            return (p, 2.0 * a * slope);
        }
        let nodes: &[(f64, f64)] = if self.noise_dof >= 200.0 {
            &HERMITE_3
        } else if self.noise_dof >= 15.0 {
            &HERMITE_5
        } else {
            &HERMITE_7
        };
        let spread = 2.0 / (9.0 * self.noise_dof);
        nodes
            .iter()
            .fold((0.0, 0.0), |(p, slope), &(node, weight)| {
                let v = (1.0 - spread + node * spread.sqrt()).max(1e-3).powi(3);
                let (pv, sv) = noncentral_chi_square(self.x * v, self.components, a * a * v);
                (p + weight * pv, slope + weight * 2.0 * a * v * sv)
            })
    }
}

/// RMS amplitude of one or several lines from their observed mean square, noise included.
///
/// * `observed_v2`: mean square of the fitted lines, V² or the square of another unit, which is then the result's.
/// * `noise_v2`: the part of it that noise alone is expected to give.
/// * `components`: real components fitted (two a line; an effective number where they differ in
///   noise).
/// * `noise_dof`: degrees of freedom of `noise_v2`; infinite where it is known.
/// * `confidence`: level of the interval, between 0 and 1.
///
/// The interval inverts the noncentral chi-square distribution (for one line the amplitude is Rice distributed: S. O. Rice,
/// BSTJ 1944/45), averaged over the noise power's own uncertainty as a generalized pivotal quantity (S. Weerahandi, JASA 88,
/// 1993); `low` is 0 where the line is not resolved. The value is the
/// median-unbiased one: the amplitude for which an observation as large as this is as likely as not.
/// From about two times the noise upward its mean is unbiased as well, and it is 0 for half of all
/// records that hold no line, so it never shows the noise's own magnitude. The standard uncertainty
/// is the interval's half-width over the coverage factor.
///
/// An observation far below the noise would make the interval empty. Observations below the noise's
/// own 2 (1 - confidence) quantile are read as that quantile, so that no upper limit claims more than
/// the noise supports (the idea of the power-constrained limit: Cowan, Cranmer, Gross & Vitells,
/// arXiv:1105.3166). Coverage of amplitudes below about 1.7 times the noise lies between the
/// confidence and half-way from it to 1 for that reason.
///
/// Never panics; without noise the value is exact, and a value that is not finite is passed on.
///
/// ```
/// // a line three times its noise's per-component deviation
/// let line = humsieve::stats::line_rms(9.0, 2.0, 2.0, f64::INFINITY, 0.95);
/// assert!((line.low - 0.69531).abs() < 1e-5 && (line.high - 4.82818).abs() < 1e-5);
/// ```
#[must_use]
pub fn line_rms(
    observed_v2: f64,
    noise_v2: f64,
    components: f64,
    noise_dof: f64,
    confidence: f64,
) -> Estimate {
    let Some(line) = NoisyLine::new(observed_v2, noise_v2, components, noise_dof, confidence)
    else {
        let exact = if observed_v2 < 0.0 {
            0.0
        } else {
            observed_v2.sqrt()
        };
        return Estimate::new(exact, (exact, exact), 0.0, noise_dof, confidence);
    };
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let low = line.power_quantile(-z).sqrt();
    let value = line.power_quantile(0.0).sqrt();
    let high = line.power_quantile(z).sqrt();
    let factor = super::coverage_factor(confidence, line.noise_dof);
    Estimate::new(
        value,
        (low, high),
        0.5 * (high - low) / factor,
        noise_dof,
        confidence,
    )
}

/// Where √(x - (m - 1)/2) is normal about √(λ + (m - 1)/2) with unit variance to four digits.
fn is_far_above_noise(x: f64, components: f64) -> bool {
    x > 100.0 && x > 20.0 * components
}

/// Distribution function of the noncentral chi-square distribution, and its derivative with respect
/// to the noncentrality.
///
/// F(x; m, λ) = Σⱼ Poisson(j; λ/2) P(m/2 + j, x/2), summed outwards from the largest weight with the
/// recurrences of the incomplete gamma function (Abramowitz & Stegun 26.4.25, 6.5.21); for very many
/// components Sankaran's transformation (Biometrika 50, 1963), far above the noise a square root.
pub(crate) fn noncentral_chi_square(x: f64, components: f64, noncentrality: f64) -> (f64, f64) {
    if x <= 0.0 {
        return (0.0, 0.0);
    }
    if is_far_above_noise(x, components) {
        let bias = 0.5 * (components - 1.0);
        let root = (noncentrality + bias).max(0.25).sqrt();
        let z = (x - bias).sqrt() - root;
        return (normal_cdf(z), -normal_pdf(z) / (2.0 * root));
    }
    if components > SERIES_COMPONENTS || noncentrality > 1e5 {
        return sankaran(x, components, noncentrality);
    }
    let (y, half) = (0.5 * x, 0.5 * noncentrality);
    let start = half.floor();
    let a0 = 0.5 * components + start;
    let weight0 = if half > 0.0 {
        (start * half.ln() - half - ln_gamma(start + 1.0)).exp()
    } else {
        1.0
    };
    let gamma0 = checked_gamma_lr(a0, y).unwrap_or(f64::NAN);
    let step0 = (a0 * y.ln() - y - ln_gamma(a0 + 1.0)).exp();
    let (mut p, mut slope) = (weight0 * gamma0, -0.5 * weight0 * step0);

    let (mut weight, mut gamma, mut step, mut j) = (weight0, gamma0, step0, start);
    while j < start + 1e4 {
        gamma -= step;
        j += 1.0;
        weight *= half / j;
        step *= y / (0.5 * components + j);
        if weight < 1e-14 || (gamma <= 1e-16 && step < 1e-16) {
            break;
        }
        p += weight * gamma;
        slope -= 0.5 * weight * step;
    }
    let (mut weight, mut gamma, mut step, mut j) = (weight0, gamma0, step0, start);
    while j > 0.0 {
        step *= (0.5 * components + j) / y;
        gamma += step;
        weight *= j / half;
        j -= 1.0;
        if weight < 1e-14 {
            break;
        }
        p += weight * gamma;
        slope -= 0.5 * weight * step;
    }
    (p.clamp(0.0, 1.0), slope)
}

/// (x/(m + λ))^h is nearly normal, h = 1 - 2 (m + λ)(m + 3λ) / (3 (m + 2λ)²).
fn sankaran(x: f64, components: f64, noncentrality: f64) -> (f64, f64) {
    let score = |noncentrality: f64| {
        let k1 = components + noncentrality;
        let k2 = components + 2.0 * noncentrality;
        let k3 = components + 3.0 * noncentrality;
        let h = 1.0 - 2.0 * k1 * k3 / (3.0 * k2 * k2);
        let p = k2 / (k1 * k1);
        let m = (h - 1.0) * (1.0 - 3.0 * h);
        let mean = 1.0 + h * p * (h - 1.0 - 0.5 * (2.0 - h) * m * p);
        let deviation = h * (2.0 * p).sqrt() * (1.0 + 0.5 * m * p);
        ((x / k1).powf(h) - mean) / deviation
    };
    let z = score(noncentrality);
    let delta = 1e-4 * (components + noncentrality).max(1.0).sqrt();
    let slope = (score(noncentrality + delta) - z) / delta;
    (normal_cdf(z), normal_pdf(z) * slope)
}

/// Solves Φ⁻¹(p(a)) = `target` for a > 0, p falling: Newton steps in the normal score, in which p is
/// nearly straight, on a bracket that only shrinks.
fn solve_falling(guess: f64, target: f64, p: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (0.0, f64::INFINITY);
    let mut a = guess;
    for _ in 0..60 {
        let (probability, slope) = p(a);
        let score = normal_quantile(probability.clamp(1e-15, 1.0 - 1e-15));
        let excess = score - target;
        if excess > 0.0 {
            low = a;
        } else {
            high = a;
        }
        let newton = a - excess * normal_pdf(score) / slope;
        let next = if newton > low && newton < high {
            newton
        } else if high == f64::INFINITY {
            2.0 * a + 1.0
        } else {
            0.5 * (low + high)
        };
        let moved = (next - a).abs();
        a = next;
        if moved < 1e-6 * a.max(1e-3) {
            break;
        }
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    /// Marcum's Q by quadrature: 1 - Q₁(√λ, √x).
    #[test]
    fn noncentral_distribution_meets_marcums_q() {
        for (x, noncentrality, expected) in [
            (4.0, 1.0, 0.730987939964),
            (9.0, 4.0, 0.785637911837),
            (25.0, 16.0, 0.812595283281),
        ] {
            let (p, _) = noncentral_chi_square(x, 2.0, noncentrality);
            assert_abs_diff_eq!(p, expected, epsilon = 1e-11);
        }
    }

    #[test]
    fn below_zero_bounds_as_much_as_at_zero() {
        let bound = |observed| line_rms(observed, 2.0, 2.0, 40.0, 0.95);
        assert_eq!(bound(-0.1), bound(0.0));
        assert!(bound(-0.1).high > 1.0);
        assert_eq!(line_rms(-0.1, 0.0, 2.0, 40.0, 0.95).high, 0.0);
    }

    #[test]
    fn slope_is_the_derivative() {
        for (x, m, l) in [
            (3.0, 2.0, 0.5),
            (30.0, 2.0, 20.0),
            (90.0, 80.0, 15.0),
            (500.0, 3.3, 450.0),
            (700.0, 500.0, 150.0),
        ] {
            let d = 1e-4;
            let (p1, slope) = noncentral_chi_square(x, m, l);
            let (p2, _) = noncentral_chi_square(x, m, l + d);
            let (p0, _) = noncentral_chi_square(x, m, l - d);
            assert!((0.0..=1.0).contains(&p1));
            assert_relative_eq!(slope, (p2 - p0) / (2.0 * d), max_relative = 2e-3);
        }
    }

    #[test]
    fn the_forms_meet_where_they_take_over() {
        for m in [1.0, 2.0, 20.0, 80.0, 199.0] {
            let x = 100.0_f64.max(20.0 * m);
            for (dof, epsilon) in [(8.0, 0.05), (40.0, 0.01), (f64::INFINITY, 1e-3)] {
                for z in [-1.96, 0.0, 1.96] {
                    let at = |x| {
                        let line = NoisyLine::new(x, m, m, dof, 0.95).unwrap();
                        line.power_quantile(z).sqrt()
                    };
                    // in units of the standard uncertainty
                    assert_abs_diff_eq!(
                        at(x * (1.0 - 1e-9)),
                        at(x * (1.0 + 1e-9)),
                        epsilon = epsilon
                    );
                }
            }
        }
        let m = SERIES_COMPONENTS;
        for l in [0.0, 10.0, 300.0] {
            for z in [-2.0, 0.0, 2.0] {
                let x = m + l + z * (2.0 * m + 4.0 * l).sqrt();
                assert_abs_diff_eq!(
                    noncentral_chi_square(x, m, l).0,
                    sankaran(x, m, l).0,
                    epsilon = 3e-5
                );
            }
        }
    }

    /// At amplitude 0 the averaged distribution is that of F by construction; the quadrature must
    /// keep it.
    #[test]
    fn averaging_over_the_noise_gives_the_f_test() {
        for (dof, epsilon) in [(4.0, 5e-3), (10.0, 1e-3), (30.0, 2e-4), (300.0, 1e-4)] {
            for m in [2.0, 10.0] {
                for p in [0.1, 0.5, 0.9, 0.975] {
                    let f = f_quantile(p, m, dof);
                    let line = NoisyLine::new(f, 1.0, m, dof, 0.95).unwrap();
                    assert_abs_diff_eq!(line.averaged(0.0).0, p, epsilon = epsilon);
                }
            }
        }
    }

    #[test]
    fn any_argument_gives_an_ordered_interval() {
        for observed in [0.0, 1e-300, 1e-12, 0.3, 1.0, 7.0, 500.0, 1e6, 1e24] {
            for m in [0.7, 1.0, 2.0, 13.4, 80.0, 5000.0] {
                for dof in [0.0, 1.0, 2.0, 9.5, 1e3, 1e7, f64::INFINITY, f64::NAN] {
                    for confidence in [0.5, 0.95, 0.999] {
                        let e = line_rms(observed, 1.0, m, dof, confidence);
                        assert!(
                            0.0 <= e.low && e.low <= e.value && e.value <= e.high,
                            "{observed} {m} {dof} {confidence}: {e:?}"
                        );
                        assert!(e.high > 0.0 && e.high.is_finite());
                    }
                }
            }
        }
        assert_eq!(line_rms(4.0, 0.0, 2.0, 9.0, 0.95).high, 2.0);
        assert!(line_rms(f64::NAN, 1.0, 2.0, 9.0, 0.95).value.is_nan());
    }
    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]

        /// The unit of the values does not matter.
        #[test]
        fn intervals_scale_with_the_unit(
            ratio in 0.0..300.0_f64,
            components in 1.0..90.0_f64,
            dof in 2.0..500.0_f64,
            unit in 1e-9..1e3_f64,
        ) {
            let one = line_rms(ratio, 1.0, components, dof, 0.95);
            let other = line_rms(ratio * unit * unit, unit * unit, components, dof, 0.95);
            for (a, b) in [(one.low, other.low), (one.value, other.value), (one.high, other.high)] {
                assert_relative_eq!(a * unit, b, max_relative = 1e-4, epsilon = 1e-4 * unit);
            }
        }

        /// More observed, no less concluded; more confidence, no narrower an interval.
        #[test]
        fn bounds_rise_with_the_observation_and_part_with_confidence(
            ratio in 0.0..300.0_f64,
            more in 1.01..2.0_f64,
            components in 1.0..90.0_f64,
            dof in 2.0..500.0_f64,
        ) {
            let slack = 1e-4 * (1.0 + ratio.sqrt());
            let one = line_rms(ratio, 1.0, components, dof, 0.95);
            let larger = line_rms(ratio * more, 1.0, components, dof, 0.95);
            assert!(larger.low >= one.low - slack && larger.high >= one.high - slack);
            let surer = line_rms(ratio, 1.0, components, dof, 0.99);
            assert!(surer.low <= one.low + slack);
            // far below the noise the upper end rests on the confidence's own smallest observation
            if one.low > 0.0 {
                assert!(surer.high >= one.high - slack);
            }
        }
    }
}

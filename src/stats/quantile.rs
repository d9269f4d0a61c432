//! Quantiles and distribution functions of the normal, Student, chi-square and F distributions.
//!
//! Degrees of freedom may be fractional, very large or infinite. A probability outside 0 to 1 or
//! degrees of freedom that are not positive give NaN; nothing here panics.
//!
//! Below about 10⁴ degrees of freedom the values rest on the incomplete beta and gamma functions
//! (Abramowitz & Stegun 26.4-26.7); above that these lose digits, and the Cornish-Fisher and
//! Wilson-Hilferty expansions, whose error falls with the degrees of freedom, take over.

use statrs::function::beta::checked_beta_reg;
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::{checked_gamma_lr, ln_gamma};
use std::f64::consts::{PI, SQRT_2};

/// Degrees of freedom from which the expansions are used.
const LARGE: f64 = 1e4;

/// Distribution function of the standard normal distribution.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// Density of the standard normal distribution.
pub(crate) fn normal_pdf(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Quantile of the standard normal distribution.
#[must_use]
pub fn normal_quantile(probability: f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) {
        return f64::NAN;
    }
    let z = -SQRT_2 * erfc_inv(2.0 * probability);
    if !z.is_finite() {
        return z;
    }
    // one Halley step takes the rational approximation to full double precision
    let excess = if probability < 0.5 {
        normal_cdf(z) - probability
    } else {
        (1.0 - probability) - normal_cdf(-z)
    };
    let step = excess / normal_pdf(z);
    let polished = z - step / (1.0 + 0.5 * z * step);
    if polished.is_finite() { polished } else { z }
}

/// Quantile of Student's t distribution.
#[must_use]
pub fn student_quantile(probability: f64, dof: f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) || dof.is_nan() || dof <= 0.0 {
        return f64::NAN;
    }
    let tail = probability.min(1.0 - probability);
    if tail == 0.0 {
        return if probability < 0.5 {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        };
    }
    let magnitude = if tail == 0.5 {
        0.0
    } else if dof >= 1e3 {
        cornish_fisher_student(-normal_quantile(tail), dof)
    } else {
        let start = cornish_fisher_student(-normal_quantile(tail), dof);
        let log_scale = ln_gamma(0.5 * (dof + 1.0)) - ln_gamma(0.5 * dof) - 0.5 * (dof * PI).ln();
        solve_rising(
            start,
            1.0 - tail,
            |t| 1.0 - student_tail(t, dof),
            |t| (log_scale - 0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp(),
        )
    };
    if probability < 0.5 {
        -magnitude
    } else {
        magnitude
    }
}

/// Distribution function of Student's t distribution.
#[must_use]
pub fn student_cdf(t: f64, dof: f64) -> f64 {
    if t.is_nan() || dof.is_nan() || dof <= 0.0 {
        return f64::NAN;
    }
    let tail = if dof > LARGE {
        // Abramowitz & Stegun 26.7.8
        normal_cdf(-t.abs() * (1.0 - 0.25 / dof) / (1.0 + t * t / (2.0 * dof)).sqrt())
    } else {
        student_tail(t.abs(), dof)
    };
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// Probability of more than `t` > 0 (Abramowitz & Stegun 26.7.1).
fn student_tail(t: f64, dof: f64) -> f64 {
    0.5 * checked_beta_reg(0.5 * dof, 0.5, dof / (dof + t * t)).unwrap_or(f64::NAN)
}

/// Student's quantile of probability Φ(z), to 3·10⁻⁵ within two standard deviations.
pub(crate) fn student_at_score(z: f64, dof: f64) -> f64 {
    if dof == f64::INFINITY {
        z
    } else if dof >= 20.0 {
        cornish_fisher_student(z, dof)
    } else if dof == 2.0 {
        // the closed form, with the small tail kept exact
        let tail = normal_cdf(-z.abs());
        ((1.0 - 2.0 * tail) / (2.0 * tail * (1.0 - tail)).sqrt()).copysign(z)
    } else {
        student_quantile(normal_cdf(-z.abs()), dof)
            .abs()
            .copysign(z)
    }
}

/// Chi-square over its degrees of freedom at probability Φ(z), to 3·10⁻⁵ within two standard
/// deviations.
pub(crate) fn chi_square_ratio_at_score(z: f64, dof: f64) -> f64 {
    if dof >= 200.0 {
        wilson_hilferty(z, dof)
    } else {
        chi_square_ratio_quantile(normal_cdf(z), dof)
    }
}

/// Abramowitz & Stegun 26.7.5: t = z + Σ gₖ(z)/νᵏ.
fn cornish_fisher_student(z: f64, dof: f64) -> f64 {
    let z2 = z * z;
    let g1 = z * (z2 + 1.0) / 4.0;
    let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let g3 = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    let g4 = z * ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / 92160.0;
    z + (g1 + (g2 + (g3 + g4 / dof) / dof) / dof) / dof
}

/// Distribution function of the chi-square distribution.
#[must_use]
pub fn chi_square_cdf(x: f64, dof: f64) -> f64 {
    if x.is_nan() || dof.is_nan() || dof <= 0.0 {
        f64::NAN
    } else if x <= 0.0 || dof == f64::INFINITY {
        0.0
    } else if x == f64::INFINITY {
        1.0
    } else if dof > LARGE {
        let spread = (2.0 / (9.0 * dof)).sqrt();
        normal_cdf(((x / dof).cbrt() - 1.0 + spread * spread) / spread)
    } else {
        checked_gamma_lr(0.5 * dof, 0.5 * x).unwrap_or(f64::NAN)
    }
}

/// Quantile of the chi-square distribution; infinite for infinite degrees of freedom.
#[must_use]
pub fn chi_square_quantile(probability: f64, dof: f64) -> f64 {
    dof * chi_square_ratio_quantile(probability, dof)
}

/// Quantile of chi-square over its degrees of freedom; 1 for infinite degrees of freedom.
#[must_use]
pub fn chi_square_ratio_quantile(probability: f64, dof: f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) || dof.is_nan() || dof <= 0.0 {
        return f64::NAN;
    }
    if probability == 0.0 {
        return 0.0;
    }
    if probability == 1.0 {
        return f64::INFINITY;
    }
    let z = normal_quantile(probability);
    let guess = wilson_hilferty(z, dof);
    if dof > LARGE {
        return guess;
    }
    let a = 0.5 * dof;
    // the leading term of the lower tail where the guess has left the support
    let start = if guess > 1e-3 {
        guess * dof
    } else {
        2.0 * ((probability.ln() + ln_gamma(a + 1.0)) / a).exp()
    };
    let log_density_scale = -a * 2.0_f64.ln() - ln_gamma(a);
    let x = solve_rising(
        start,
        probability,
        |x| chi_square_cdf(x, dof),
        |x| ((a - 1.0) * x.ln() - 0.5 * x + log_density_scale).exp(),
    );
    x / dof
}

/// Wilson & Hilferty 1931: (χ²/ν)^(1/3) is nearly normal, with the two terms of the Cornish-Fisher
/// series that it leaves.
fn wilson_hilferty(z: f64, dof: f64) -> f64 {
    if dof == f64::INFINITY {
        return 1.0;
    }
    let spread = 2.0 / (9.0 * dof);
    (1.0 - spread + z * spread.sqrt()).max(0.0).powi(3)
}

/// Distribution function of the F distribution.
#[must_use]
pub fn f_cdf(x: f64, dof1: f64, dof2: f64) -> f64 {
    if x.is_nan() || !(dof1 > 0.0 && dof2 > 0.0) {
        return f64::NAN;
    }
    if x <= 0.0 {
        return 0.0;
    }
    if x == f64::INFINITY {
        return 1.0;
    }
    if dof1 == 2.0 && dof2 <= LARGE {
        // the closed form for two degrees of freedom above
        return -(-0.5 * dof2 * (2.0 * x / dof2).ln_1p()).exp_m1();
    }
    if dof1.max(dof2) <= LARGE {
        // of the two equal forms, the one whose argument keeps its digits
        let (num, den) = (dof1 * x, dof2);
        return if num <= den {
            checked_beta_reg(0.5 * dof1, 0.5 * dof2, num / (num + den)).unwrap_or(f64::NAN)
        } else {
            1.0 - checked_beta_reg(0.5 * dof2, 0.5 * dof1, den / (num + den)).unwrap_or(f64::NAN)
        };
    }
    if dof1 > dof2 {
        return 1.0 - f_cdf(1.0 / x, dof2, dof1);
    }
    if dof1 > 150.0 {
        // Paulson 1942: cube roots of both chi-squares are nearly normal
        let (s1, s2) = (2.0 / (9.0 * dof1), 2.0 / (9.0 * dof2));
        let root = x.cbrt();
        return normal_cdf((root * (1.0 - s2) - (1.0 - s1)) / (root * root * s2 + s1).sqrt());
    }
    let y = dof1 * x;
    let slope = ((0.5 * dof1) * (0.5 * y).ln() - 0.5 * y - ln_gamma(0.5 * dof1)).exp();
    chi_square_cdf(y, dof1) + slope * (dof1 - 2.0 - y) / (2.0 * dof2)
}

/// Quantile of the F distribution with `dof1` (numerator) and `dof2` degrees of freedom.
#[must_use]
pub fn f_quantile(probability: f64, dof1: f64, dof2: f64) -> f64 {
    if !((0.0..=1.0).contains(&probability) && dof1 > 0.0 && dof2 > 0.0) {
        return f64::NAN;
    }
    if probability == 0.0 {
        return 0.0;
    }
    if probability == 1.0 {
        return f64::INFINITY;
    }
    if dof1 == f64::INFINITY && dof2 == f64::INFINITY {
        return 1.0;
    }
    if dof1 > dof2 {
        return 1.0 / f_quantile(1.0 - probability, dof2, dof1);
    }
    if dof2 > LARGE {
        if dof1 > 150.0 {
            return fisher_z_quantile(probability, dof1, dof2);
        }
        let x = chi_square_quantile(probability, dof1);
        return x / dof1 * (1.0 + (x + 2.0 - dof1) / (2.0 * dof2));
    }
    if dof1 == 2.0 {
        return 0.5 * dof2 * (-(-probability).ln_1p() * 2.0 / dof2).exp_m1();
    }
    let (a, b) = (0.5 * dof1, 0.5 * dof2);
    let log_beta = ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b);
    let start = if dof1 > 2.0 {
        fisher_z_quantile(probability, dof1, dof2)
    } else {
        chi_square_quantile(probability, dof1) / dof1
    };
    solve_rising(
        start,
        probability,
        |x| f_cdf(x, dof1, dof2),
        |x| {
            let ratio = dof1 * x / dof2;
            (a * ratio.ln() - (a + b) * ratio.ln_1p() - log_beta - x.ln()).exp()
        },
    )
}

/// Abramowitz & Stegun 26.5.22: half the logarithm of F, from the normal quantile.
fn fisher_z_quantile(probability: f64, dof1: f64, dof2: f64) -> f64 {
    let z = normal_quantile(probability);
    let (r1, r2) = (1.0 / (dof1 - 1.0), 1.0 / (dof2 - 1.0));
    let h = 2.0 / (r1 + r2);
    let lambda = (z * z - 3.0) / 6.0;
    let w =
        z * (h + lambda).max(0.0).sqrt() / h - (r1 - r2) * (lambda + 5.0 / 6.0 - 2.0 / (3.0 * h));
    (2.0 * w).exp()
}

/// Solves `cdf(x) = probability` for x > 0: Newton steps on a bracket that only shrinks.
fn solve_rising(
    start: f64,
    probability: f64,
    cdf: impl Fn(f64) -> f64,
    pdf: impl Fn(f64) -> f64,
) -> f64 {
    let (mut low, mut high) = (0.0, f64::INFINITY);
    let mut x = if start.is_finite() && start > 0.0 {
        start
    } else {
        1.0
    };
    for _ in 0..200 {
        let excess = cdf(x) - probability;
        if excess.is_nan() {
            return f64::NAN;
        }
        if excess > 0.0 {
            high = x;
        } else {
            low = x;
        }
        let newton = x - excess / pdf(x);
        let next = if newton > low && newton < high {
            // Newton's error is that of the step before, squared.
            if (newton - x).abs() <= 1e-9 * x {
                return newton;
            }
            newton
        } else if high == f64::INFINITY {
            2.0 * x
        } else if low == 0.0 {
            0.1 * x
        } else {
            0.5 * (low + high)
        };
        let moved = (next - x).abs();
        x = next;
        if moved <= 4.0 * f64::EPSILON * x {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn normal_quantile_by_example() {
        let z = normal_quantile(0.975);
        assert!((z - 1.959964).abs() < 1e-6);
    }

    #[test]
    fn expansions_meet_the_exact_forms_where_they_take_over() {
        // the first term left out of the series is of the order of (150/10⁴)² = 2e-4 times a fraction
        for p in [0.001, 0.025, 0.3, 0.5, 0.9, 0.975, 0.999] {
            let (below, above) = (LARGE * (1.0 - 1e-9), LARGE * (1.0 + 1e-9));
            assert_relative_eq!(
                chi_square_quantile(p, below),
                chi_square_quantile(p, above),
                max_relative = 1e-6
            );
            for other in [0.7, 2.0, 99.0, 149.0, 151.0, 3e3] {
                assert_relative_eq!(
                    f_quantile(p, other, below),
                    f_quantile(p, other, above),
                    max_relative = 1e-4
                );
                let x = f_quantile(p, other, below);
                assert_relative_eq!(f_cdf(x, other, above), p, epsilon = 1e-4);
            }
            assert_relative_eq!(
                student_quantile(p, 999.9999999),
                student_quantile(p, 1000.0000001),
                max_relative = 1e-9,
                epsilon = 1e-12
            );
        }
    }

    #[test]
    fn distribution_functions_undo_the_quantiles() {
        for dof in [0.3, 1.0, 2.5, 7.0, 36.1, 500.0, 9e3] {
            for p in [1e-6, 0.025, 0.5, 0.975, 1.0 - 1e-6] {
                let x = chi_square_quantile(p, dof);
                assert_relative_eq!(chi_square_cdf(x, dof), p, max_relative = 1e-9);
                let f = f_quantile(p, dof, 12.3);
                assert_relative_eq!(f_cdf(f, dof, 12.3), p, max_relative = 1e-8);
            }
        }
    }

    #[test]
    fn quantiles_at_a_score_are_those_of_its_probability() {
        for z in [-1.96, -0.3, 0.0, 1.0, 1.96] {
            for dof in [1.0, 2.0, 5.5, 20.0, 77.0, 5e3] {
                assert_relative_eq!(
                    student_at_score(z, dof),
                    student_quantile(normal_cdf(z), dof),
                    epsilon = 1e-9,
                    max_relative = 3e-5
                );
            }
            for dof in [3.0, 200.0, 1e4] {
                assert_relative_eq!(
                    chi_square_ratio_at_score(z, dof),
                    chi_square_ratio_quantile(normal_cdf(z), dof),
                    max_relative = 3e-5
                );
            }
        }
    }

    #[test]
    fn limits_and_nonsense_are_defined() {
        assert_eq!(
            student_quantile(0.975, f64::INFINITY),
            normal_quantile(0.975)
        );
        assert_eq!(student_quantile(0.5, 3.0), 0.0);
        for dof in [1.0, 3.7, 900.0, 2e4, f64::INFINITY] {
            for p in [0.001, 0.4, 0.975] {
                assert_relative_eq!(
                    student_cdf(student_quantile(p, dof), dof),
                    p,
                    max_relative = 1e-6
                );
            }
        }
        assert_eq!(chi_square_ratio_quantile(0.9, f64::INFINITY), 1.0);
        assert_eq!(f_quantile(0.9, f64::INFINITY, f64::INFINITY), 1.0);
        assert_relative_eq!(
            f_quantile(0.95, 5.0, f64::INFINITY),
            chi_square_quantile(0.95, 5.0) / 5.0,
            max_relative = 1e-12
        );
        for bad in [f64::NAN, -1.0, 0.0] {
            assert!(student_quantile(0.9, bad).is_nan());
            assert!(chi_square_quantile(0.9, bad).is_nan());
            assert!(f_quantile(0.9, bad, 3.0).is_nan());
            assert!(f_cdf(1.0, 3.0, bad).is_nan());
        }
        for bad in [f64::NAN, -0.1, 1.1] {
            assert!(normal_quantile(bad).is_nan());
            assert!(student_quantile(bad, 3.0).is_nan());
            assert!(chi_square_quantile(bad, 3.0).is_nan());
            assert!(f_quantile(bad, 3.0, 3.0).is_nan());
        }
        assert_eq!(normal_quantile(0.0), f64::NEG_INFINITY);
        assert_eq!(normal_quantile(1.0), f64::INFINITY);
    }
}

//! Ratio and difference of two quantities that are known by their confidence distributions.

use super::Estimate;
use super::confidence::{ConfidenceDistribution, REACH};
use super::quantile::{normal_cdf, normal_quantile};
use crate::numeric::rising_root;

impl ConfidenceDistribution {
    /// Confidence that this quantity is at most `factor` times `other` (both not negative).
    #[must_use]
    pub fn at_most(&self, factor: f64, other: &Self) -> f64 {
        // integrating over the narrower of the two keeps the integrand smooth
        if self.spread() > factor * other.spread() {
            other.mean_of(|b| self.cdf(factor * b))
        } else {
            self.mean_of(|a| {
                if a <= 0.0 {
                    1.0
                } else {
                    1.0 - other.cdf_below(a / factor)
                }
            })
        }
    }

    /// Confidence that the quantity is less than `x`, for x > 0 the same as at most.
    fn cdf_below(&self, x: f64) -> f64 {
        if x <= 0.0 { 0.0 } else { self.cdf(x) }
    }

    /// The quantile Φ(`score`) of this quantity over `other`: 0 or infinite where one of them is not
    /// resolved at that level.
    #[must_use]
    pub fn ratio_quantile(&self, other: &Self, score: f64) -> f64 {
        let probability = normal_cdf(score);
        let ends = |d: &Self| {
            let top = d.quantile_at_score(enclosing(score));
            let bottom = d.quantile_at_score(-enclosing(score)).max(1e-12 * top);
            (bottom.max(f64::MIN_POSITIVE), top.max(f64::MIN_POSITIVE))
        };
        let ((a_low, a_high), (b_low, b_high)) = (ends(self), ends(other));
        let (low, high) = ((a_low / b_high).ln(), (a_high / b_low).ln());
        if self.at_most(low.exp(), other) > probability {
            return 0.0;
        }
        if self.at_most(high.exp(), other) < probability {
            return f64::INFINITY;
        }
        rising_root(low, high, |log| {
            normal_quantile(self.at_most(log.exp(), other)) - score
        })
        .exp()
    }

    /// Confidence that this quantity less `other` is at most `x`.
    fn difference_cdf(&self, other: &Self, x: f64) -> f64 {
        if self.spread() > other.spread() {
            other.mean_of(|b| self.cdf(b + x))
        } else {
            self.mean_of(|a| 1.0 - other.cdf(a - x))
        }
    }

    /// The quantile Φ(`score`) of this quantity less `other`.
    #[must_use]
    pub fn difference_quantile(&self, other: &Self, score: f64) -> f64 {
        let reach = enclosing(score);
        let low = self.quantile_at_score(-reach) - other.quantile_at_score(reach);
        let high = self.quantile_at_score(reach) - other.quantile_at_score(-reach);
        // With few degrees of freedom the ends lie many powers of ten out: in steps of the spread near it, of its
        // logarithm beyond.
        let unit = self.spread().max(other.spread());
        if !(unit > 0.0 && unit.is_finite()) {
            return self.quantile_at_score(0.0) - other.quantile_at_score(0.0);
        }
        let place = |x: f64| (x / unit).asinh();
        let found = rising_root(place(low), place(high), |t| {
            normal_quantile(self.difference_cdf(other, unit * t.sinh())) - score
        });
        unit * found.sinh()
    }

    /// What lifts the excess over `floor` so that at least the probability 2 (1 - confidence) lies above
    /// 0: the counterpart of the smallest observation that [`super::line_rms`] takes at its word.
    pub(super) fn raise_over(&self, floor: &Self, confidence: f64) -> f64 {
        let smallest = (2.0 * (1.0 - confidence)).min(0.5);
        if self.difference_cdf(floor, 0.0) <= 1.0 - smallest {
            return 0.0;
        }
        -self.difference_quantile(floor, -normal_quantile(smallest))
    }

    /// Root of the power by which this one exceeds `floor`, with its interval; the interval reaches 0
    /// where the excess is not resolved.
    ///
    /// A reading that lies below the floor by chance would leave no interval; it is read as one that
    /// lies just at the floor's edge, as [`super::line_rms`] does.
    #[must_use]
    pub fn excess_rms(&self, floor: &Self, dof: f64, confidence: f64) -> Estimate {
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let raise = self.raise_over(floor, confidence);
        let root = |score: f64| {
            let difference = self.difference_quantile(floor, score);
            (difference + raise).max(0.0).sqrt()
        };
        let (low, high) = (root(-z), root(z));
        Estimate::new(
            root(0.0),
            (low, high),
            0.5 * (high - low) / super::coverage_factor(confidence, dof),
            dof,
            confidence,
        )
    }
}

/// Score of the two parts' quantiles that enclose a sum's quantile at `score`: 2 Φ(-s) is below
/// Φ(-|score|) (Bonferroni).
fn enclosing(score: f64) -> f64 {
    (score.abs() + 0.7).min(REACH)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::LinePower;
    use crate::stats::f_quantile;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    #[test]
    fn noise_ratio_is_the_f_distribution() {
        for (dof1, dof2) in [(36.0, 36.0), (36.0, 18.0), (5.0, 400.0), (2000.0, 3.0)] {
            let a = ConfidenceDistribution::noise_power(2.0, dof1);
            let b = ConfidenceDistribution::noise_power(1.0, dof2);
            for (score, p) in [(-1.959964, 0.025), (0.0, 0.5), (1.959964, 0.975)] {
                assert_relative_eq!(
                    a.ratio_quantile(&b, score),
                    2.0 * f_quantile(p, dof2, dof1),
                    max_relative = 5e-3
                );
            }
        }
    }

    #[test]
    fn normal_differences_add_in_quadrature() {
        let a = ConfidenceDistribution::student(5.0, 3.0, f64::INFINITY);
        for u in [4.0, 1e-3] {
            let b = ConfidenceDistribution::student(2.0, u, f64::INFINITY);
            for score in [-1.96, 0.0, 1.96] {
                assert_abs_diff_eq!(
                    a.difference_quantile(&b, score),
                    3.0 + score * 3.0_f64.hypot(u),
                    epsilon = 5e-3
                );
            }
        }
    }

    #[test]
    fn ratios_with_unresolved_parts_reach_zero_or_infinity() {
        let strong = ConfidenceDistribution::line_power(&LinePower::new(1e4, 2.0, 2.0, 20.0), 0.95);
        let weak = ConfidenceDistribution::line_power(&LinePower::new(2.0, 2.0, 2.0, 20.0), 0.95);
        assert_eq!(strong.ratio_quantile(&weak, 1.96), f64::INFINITY);
        assert!(strong.ratio_quantile(&weak, -1.96) > 100.0);
        assert_eq!(weak.ratio_quantile(&strong, -1.96), 0.0);
        assert_eq!(weak.ratio_quantile(&weak, -1.96), 0.0);
    }

    #[test]
    fn below_the_floor_the_excess_keeps_a_width() {
        let high = ConfidenceDistribution::line_power(&LinePower::new(16.0, 2.0, 2.0, 20.0), 0.95);
        let low = ConfidenceDistribution::line_power(&LinePower::new(0.5, 2.0, 6.0, 60.0), 0.95);
        let e = low.excess_rms(&high, 20.0, 0.95);
        assert_eq!((e.low, e.value), (0.0, 0.0));
        assert!(e.high > 0.1, "{e:?}");
    }
}

//! Two readings held against each other.

use super::reading::Reading;
use crate::comparison::options::SINGLE_CAPTURE_MARGIN_DB;
use crate::comparison::result::Basis;
use crate::stats::{Estimate, normal_quantile, student_cdf, welch_satterthwaite};

/// The ratio of two readings' squares: quantiles at the ends and middle of an interval, and the two-sided
/// probability of a ratio this far from 1 (from single captures: from the margin about 1).
pub(in crate::comparison) struct Ratio {
    pub quantiles: (f64, f64, f64),
    pub p_value: f64,
    pub basis: Basis,
}

impl Ratio {
    /// Where the spread between captures carries both, Student's t on the logarithm with Welch and
    /// Satterthwaite's degrees of freedom; else from the two confidence distributions.
    pub(in crate::comparison) fn of(a: &Reading, b: &Reading, confidence: f64) -> Self {
        let two_sided = |p: f64| (2.0 * p).clamp(0.0, 1.0);
        if let (Some((log_a, u_a, dof_a)), Some((log_b, u_b, dof_b))) = (a.logarithm, b.logarithm) {
            let u = u_a.hypot(u_b);
            let dof = welch_satterthwaite(&[(u_a, dof_a), (u_b, dof_b)]);
            let difference = Estimate::student(log_a - log_b, u, dof, confidence);
            return Self {
                quantiles: (
                    (2.0 * difference.low).exp(),
                    (2.0 * difference.value).exp(),
                    (2.0 * difference.high).exp(),
                ),
                p_value: two_sided(student_cdf(-(difference.value / u).abs(), dof)),
                basis: Basis::BetweenCaptures,
            };
        }
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let quantile = |score| a.square.ratio_quantile(&b.square, score);
        let single = [a.basis, b.basis].contains(&Basis::WithinCaptures);
        let (basis, margin) = if single {
            (
                Basis::WithinCaptures,
                10.0_f64.powf(0.1 * SINGLE_CAPTURE_MARGIN_DB),
            )
        } else {
            (Basis::BetweenCaptures, 1.0)
        };
        let not_better = a.square.at_most(margin, &b.square);
        let not_worse = b.square.at_most(margin, &a.square);
        Self {
            quantiles: (quantile(-z), quantile(0.0), quantile(z)),
            p_value: two_sided(not_better.min(not_worse)),
            basis,
        }
    }
}

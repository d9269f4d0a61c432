//! Confidence distributions: what a measurement says of a quantity at every level at once.

use super::monotone_cubic::MonotoneCubic;
use super::near_floor::NoisyLine;
use super::quantile::{
    chi_square_ratio_at_score, normal_cdf, normal_pdf, normal_quantile, student_at_score,
};
use super::{Estimate, LinePower};
use std::sync::OnceLock;

/// Normal scores of the stored quantiles: -`REACH` to `REACH` in steps of 1/`PER_UNIT`; as far as the ends of an
/// interval at the highest level that is asked for, 1 - 1e-9.
pub(super) const REACH: f64 = 6.25;
const PER_UNIT: usize = 16;
const NODES: usize = (2.0 * REACH) as usize * PER_UNIT + PER_UNIT / 2 + 1;
/// Normal scores at which a quantile function is computed before it is interpolated.
const KNOTS: usize = 21;

/// The confidence distribution of a quantity, as its quantile function against the normal score.
///
/// Its quantiles at p and 1 - p are the ends of the interval at level 1 - 2p, for every p (T. Schweder
/// & N. L. Hjort, Scand. J. Stat. 29, 2002; M. Xie & K. Singh, Int. Stat. Rev. 81, 2013). Independent
/// quantities are propagated as JCGM 101:2008 does, with numerical integration in place of random
/// draws: the result is that of a generalized pivotal quantity (S. Weerahandi, JASA 88, 1993; J.
/// Hannig, H. Iyer, P. Patterson, JASA 101, 2006). Powers near the floor have an atom at 0: the levels
/// at which they are not resolved.
#[derive(Debug, Clone, PartialEq)]
pub struct ConfidenceDistribution {
    quantiles: Vec<f64>,
    /// Normal score up to which the quantile is exactly 0, where there is such an atom.
    atom: Option<f64>,
}

impl ConfidenceDistribution {
    /// A quantity that is known exactly.
    #[must_use]
    pub fn exact(value: f64) -> Self {
        Self {
            quantiles: vec![value; NODES],
            atom: None,
        }
    }

    /// A normal or Student distributed estimate.
    #[cfg(test)]
    pub fn student(value: f64, standard_uncertainty: f64, dof: f64) -> Self {
        Self::from_knots(-REACH, |z| {
            value + student_at_score(z, dof) * standard_uncertainty
        })
    }

    /// A positive quantity whose logarithm is a normal or Student distributed estimate.
    #[must_use]
    pub fn log_student(value: f64, log_uncertainty: f64, dof: f64) -> Self {
        Self::from_knots(-REACH, |z| student_at_score(z, dof) * log_uncertainty)
            .map(|exponent| value * exponent.clamp(-300.0, 300.0).exp())
    }

    /// A noise power with `dof` effective degrees of freedom: ν s²/χ²_ν.
    #[must_use]
    pub fn noise_power(power: f64, dof: f64) -> Self {
        Self::from_knots(-REACH, |z| {
            -chi_square_ratio_at_score(-z, dof)
                .max(f64::MIN_POSITIVE)
                .ln()
        })
        .map(|log| power * log.exp())
    }

    /// The mean square of one or several lines near the floor; see [`super::line_rms`].
    #[must_use]
    pub fn line_power(power: &LinePower, confidence: f64) -> Self {
        let (observed, noise) = (power.observed_v2, power.noise_v2);
        let (components, dof) = (power.components, power.noise_dof);
        let Some(line) = NoisyLine::new(observed, noise, components, dof, confidence) else {
            return Self::exact(observed.max(0.0));
        };
        let atom = -normal_quantile(line.noise_probability);
        if atom <= -REACH {
            return Self::from_knots(-REACH, |z| line.power_quantile(z));
        }
        let atom = atom.min(REACH - 0.5);
        let mut distribution = Self::from_knots(atom, |z| {
            if z == atom {
                0.0
            } else {
                line.power_quantile(z)
            }
        });
        distribution.atom = Some(atom);
        distribution
    }

    /// A quantity of which no more is known than its bounds: any value between them is as likely
    /// (JCGM 100:2008, 4.3.7). A lower bound of 0 is unresolved at the stated confidence.
    #[must_use]
    pub fn bounded(low: f64, high: f64, confidence: f64) -> Self {
        let edge = normal_quantile(0.5 + 0.5 * confidence).min(REACH - 0.5);
        let span = normal_cdf(edge) - normal_cdf(-edge);
        let atom = (low <= 0.0).then_some(-edge);
        let quantiles = (0..NODES)
            .map(node_score)
            .map(|z| {
                let share = (normal_cdf(z) - normal_cdf(-edge)) / span;
                low + (high - low) * share.clamp(0.0, 1.0)
            })
            .collect();
        Self { quantiles, atom }
    }

    /// The size of an offset: the square root's argument of |offset|, near 0 as a line of one
    /// component.
    #[must_use]
    pub fn squared(estimate: &Estimate) -> Self {
        let (square, noise) = (
            estimate.value.powi(2),
            estimate.standard_uncertainty.powi(2),
        );
        let power = LinePower::new(square, noise, 1.0, estimate.degrees_of_freedom);
        Self::line_power(&power, estimate.confidence)
    }

    /// Quantile function computed at a few scores from `start` upwards (0 below), monotone cubic in
    /// between.
    fn from_knots(start: f64, quantile: impl Fn(f64) -> f64) -> Self {
        let step = (REACH - start) / (KNOTS - 1) as f64;
        let mut knots: Vec<f64> = (0..KNOTS)
            .map(|i| quantile(start + i as f64 * step))
            .collect();
        let mut largest = f64::NEG_INFINITY;
        for knot in &mut knots {
            largest = largest.max(*knot);
            *knot = largest;
        }
        let curve = MonotoneCubic { start, step, knots };
        let quantiles = (0..NODES)
            .map(node_score)
            .map(|z| if z < start { 0.0 } else { curve.at(z) })
            .collect();
        Self {
            quantiles,
            atom: None,
        }
    }

    /// The distribution of a rising function of the quantity that keeps 0 where there is an atom.
    #[must_use]
    pub fn map(mut self, rising: impl Fn(f64) -> f64) -> Self {
        for q in &mut self.quantiles {
            *q = rising(*q);
        }
        self
    }

    /// The quantile of probability Φ(`score`).
    #[must_use]
    pub fn quantile_at_score(&self, score: f64) -> f64 {
        let position = ((score + REACH) * PER_UNIT as f64).clamp(0.0, (NODES - 1) as f64);
        let index = (position as usize).min(NODES - 2);
        let (Some(&left), Some(&right)) =
            (self.quantiles.get(index), self.quantiles.get(index + 1))
        else {
            return f64::NAN;
        };
        if let Some(atom) = self.atom {
            if score <= atom {
                return 0.0;
            }
            let (from, to) = (node_score(index), node_score(index + 1));
            if from < atom {
                return right * (score - atom) / (to - atom);
            }
        }
        let fraction = position - index as f64;
        if fraction == 0.0 {
            left
        } else {
            left + (right - left) * fraction
        }
    }

    /// Confidence that the quantity is at most `x`.
    #[must_use]
    pub fn cdf(&self, x: f64) -> f64 {
        let index = self.quantiles.partition_point(|&q| q <= x);
        if index == NODES {
            return 1.0;
        }
        let Some(&right) = self.quantiles.get(index) else {
            return f64::NAN;
        };
        let (mut from, mut left) = match index.checked_sub(1).and_then(|i| self.quantiles.get(i)) {
            Some(&left) => (node_score(index - 1), left),
            None => return 0.0,
        };
        if let Some(atom) = self.atom
            && from < atom
        {
            (from, left) = (atom, 0.0);
        }
        let probabilities = node_probabilities();
        let at = |i: usize| probabilities.get(i).copied().unwrap_or(f64::NAN);
        let below = match self.atom {
            Some(atom) if from == atom => normal_cdf(atom),
            _ => at(index - 1),
        };
        below + (at(index) - below) * (x - left) / (right - left)
    }

    /// Probability that the quantity is 0, not resolved.
    #[must_use]
    pub fn unresolved_probability(&self) -> f64 {
        self.atom.map_or(0.0, normal_cdf)
    }

    /// Median, equal-tailed interval and half its width over the coverage factor, as an estimate.
    #[must_use]
    pub fn estimate(&self, dof: f64, confidence: f64) -> Estimate {
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let (low, high) = (self.quantile_at_score(-z), self.quantile_at_score(z));
        Estimate::new(
            self.quantile_at_score(0.0),
            (low, high),
            0.5 * (high - low) / super::coverage_factor(confidence, dof),
            dof,
            confidence,
        )
    }

    /// Mean of `f` over the distribution: the atom exactly, the rest by Simpson's rule.
    pub(super) fn mean_of(&self, f: impl Fn(f64) -> f64) -> f64 {
        const INTERVALS: usize = 60;
        let start = self.atom.unwrap_or(-REACH);
        let step = (REACH - start) / INTERVALS as f64;
        let (mut sum, mut weights) = (0.0, 0.0);
        for i in 0..=INTERVALS {
            let z = start + i as f64 * step;
            let simpson = if i == 0 || i == INTERVALS {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            let weight = simpson * normal_pdf(z);
            // just above the atom, not on it
            let value = self.quantile_at_score(if i == 0 { z + 1e-9 } else { z });
            sum += weight * f(value);
            weights += weight;
        }
        let atom = self.unresolved_probability();
        let rest = (1.0 - atom) * sum / weights;
        if atom > 0.0 {
            atom * f(0.0) + rest
        } else {
            rest
        }
    }

    /// Half the distance of the quantiles one standard deviation from the median.
    pub(super) fn spread(&self) -> f64 {
        0.5 * (self.quantile_at_score(1.0) - self.quantile_at_score(-1.0))
    }
}

/// Φ at the nodes; linear in between to 1e-4.
fn node_probabilities() -> &'static [f64] {
    static PROBABILITIES: OnceLock<Vec<f64>> = OnceLock::new();
    PROBABILITIES.get_or_init(|| (0..NODES).map(|i| normal_cdf(node_score(i))).collect())
}

fn node_score(index: usize) -> f64 {
    index as f64 / PER_UNIT as f64 - REACH
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::line_rms;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    #[test]
    fn quantiles_of_a_weak_line_are_its_interval() {
        for r in [0.1, 1.0, 2.3, 3.0, 5.0, 30.0] {
            for dof in [9.0, f64::INFINITY] {
                let d =
                    ConfidenceDistribution::line_power(&LinePower::new(r * r, 2.0, 2.0, dof), 0.95);
                let e = line_rms(r * r, 2.0, 2.0, dof, 0.95);
                let found = d.map(f64::sqrt).estimate(dof, 0.95);
                for (x, y) in [
                    (found.low, e.low),
                    (found.value, e.value),
                    (found.high, e.high),
                ] {
                    assert_abs_diff_eq!(x, y, epsilon = 2e-2 * (1.0 + 0.1 * y));
                }
            }
        }
    }

    #[test]
    fn distribution_function_undoes_the_quantile() {
        let d = ConfidenceDistribution::line_power(&LinePower::new(5.0, 2.0, 2.0, 20.0), 0.95);
        assert_relative_eq!(d.cdf(0.0), d.unresolved_probability());
        for z in [-1.0, 0.0, 0.7, 3.1] {
            assert_abs_diff_eq!(
                d.cdf(d.quantile_at_score(z)),
                normal_cdf(z),
                epsilon = 1.3e-4
            );
        }
        assert_eq!(d.cdf(-1.0), 0.0);
    }

    #[test]
    fn bounds_are_the_ends_of_the_interval() {
        let e = ConfidenceDistribution::bounded(0.0, 4.0, 0.95).estimate(f64::INFINITY, 0.95);
        assert_eq!(e.low, 0.0);
        assert_abs_diff_eq!(e.high, 4.0, epsilon = 1e-2);
        let e = ConfidenceDistribution::bounded(1.0, 3.0, 0.95).estimate(f64::INFINITY, 0.95);
        assert_abs_diff_eq!(e.value, 2.0, epsilon = 1e-9);
        assert_abs_diff_eq!(e.low, 1.0, epsilon = 1e-2);
    }
}

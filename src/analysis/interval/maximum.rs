//! The most likely point, alone or drawn towards one side, and how far a figure reaches.
//!
//! A figure's interval is where its profile likelihood lies within ½z² of the best (S. S. Wilks, Ann. Math.
//! Stat. 9(1), 1938; D. J. Venzon & S. H. Moolgavkar, J. R. Stat. Soc. C 37(1), 1988). As the noise falls
//! below the step this becomes the whole extent of what the steps allow.

use super::model::{Expansion, Model, Point};
use crate::numeric::{Cholesky, plain_dot};

/// Most Newton steps, and twice the gain in likelihood still expected at which they end.
const STEPS: usize = 50;
const SETTLED: f64 = 2e-3;
/// Most dampings of one step, and most pulls by which an end of an interval is sought.
const DAMPINGS: usize = 16;
const PULLS: usize = 6;

/// The best point with what was found there.
#[derive(Debug)]
pub(crate) struct Best {
    pub(crate) point: Point,
    pub(crate) value: f64,
    /// Inverse of the curvature: the parameters' covariance where the likelihood is regular.
    pub(crate) covariance: Vec<f64>,
}

impl Model<'_> {
    /// Climbs from `start` to the most likely point.
    pub(crate) fn best(&self, start: Point) -> Option<Best> {
        let point = self.climb(start, &[], 0.0)?;
        let expansion = self.expand(&point);
        let covariance = (0..12).find_map(|i| {
            let (factor, _) = self.factor(&point, &expansion, 1e-9 * 10f64.powi(i))?;
            Some(factor.inverse())
        })?;
        Some(Best {
            value: expansion.value,
            point,
            covariance,
        })
    }

    /// Maximum of the posterior plus `pull` times a figure that is linear in the parameters: Newton steps, damped
    /// where they do not climb (D. W. Marquardt, J. SIAM 11(2), 1963).
    fn climb(&self, start: Point, figure: &[f64], pull: f64) -> Option<Point> {
        let mut point = start;
        let mut damping = 1e-6;
        let mut expansion = self.expand(&point);
        for _ in 0..STEPS {
            for (g, u) in expansion.gradient.iter_mut().zip(figure) {
                *g += pull * u;
            }
            let before = expansion.value + pull * along(&point, figure);
            let mut moved = None;
            for _ in 0..DAMPINGS {
                if let Some((factor, mut step)) = self.factor(&point, &expansion, damping) {
                    factor.solve(&mut step);
                    let gain = plain_dot(&step, &expansion.gradient);
                    let next = self.moved(&point, &step);
                    let risen = self.value(&next) + pull * along(&next, figure) - before;
                    // No more than a factor of five of the noise at once.
                    if risen > 0.0 && step.last().is_some_and(|d| (-4.0..0.8).contains(d)) {
                        moved = Some((next, gain, risen));
                        break;
                    }
                    if !(gain > SETTLED) {
                        break;
                    }
                }
                damping *= 10.0;
            }
            let Some((next, gain, risen)) = moved else {
                break;
            };
            point = next;
            if gain < SETTLED && (damping < 1e-2 || risen < 1e-3 * SETTLED) {
                break;
            }
            damping *= if risen > 0.5 * gain { 0.05 } else { 0.5 };
            damping = damping.max(1e-9);
            expansion = self.expand(&point);
        }
        point
            .parameters()
            .iter()
            .all(|p| p.is_finite())
            .then_some(point)
    }

    /// The damped curvature factored, with the gradient; a deviation that stands at its floor and would fall stays.
    fn factor(
        &self,
        point: &Point,
        expansion: &Expansion,
        damping: f64,
    ) -> Option<(Cholesky, Vec<f64>)> {
        let (size, last) = (self.size(), self.size() - 1);
        let mut gradient = expansion.gradient.clone();
        let mut curvature = expansion.curvature.clone();
        if point.scale <= self.floor && gradient[last] <= 0.0 {
            gradient[last] = 0.0;
            for i in 0..last {
                curvature[i * size + last] = 0.0;
                curvature[last * size + i] = 0.0;
            }
            curvature[last * size + last] = 1.0;
        }
        for (i, scale) in self.scaling.iter().enumerate() {
            curvature[i * size + i] += damping * scale;
        }
        Cholesky::new(size, curvature).map(|factor| (factor, gradient))
    }

    /// Lower and upper end of a linear figure within `drop` of the best likelihood.
    pub(crate) fn extent(&self, best: &Best, figure: &[f64], drop: f64) -> Option<(f64, f64)> {
        let size = self.size();
        let variance: f64 = (0..size)
            .filter(|&i| figure[i] != 0.0)
            .map(|i| {
                figure[i]
                    * (0..size)
                        .map(|j| best.covariance[i * size + j] * figure[j])
                        .sum::<f64>()
            })
            .sum();
        let first = (2.0 * drop / variance.max(f64::MIN_POSITIVE)).sqrt();
        let end = |sign: f64| self.end(best, figure, sign * first, drop);
        Some((end(-1.0)?, end(1.0)?))
    }

    fn end(&self, best: &Best, figure: &[f64], first: f64, drop: f64) -> Option<f64> {
        let start = along(&best.point, figure);
        let mut pull = first;
        let mut point = best.point.clone();
        let mut fallen = 0.0;
        for _ in 0..PULLS {
            point = self.climb(point, figure, pull)?;
            fallen = best.value - self.value(&point);
            if (fallen / drop - 1.0).abs() < 0.1 {
                break;
            }
            pull *= (drop / fallen.max(1e-3 * drop)).sqrt().clamp(0.2, 30.0);
        }
        let reached = along(&point, figure);
        Some(if fallen > 1.5 * drop {
            reached
        } else if fallen > 0.5 * drop {
            // The likelihood falls by pull·dx along the way.
            reached + (drop - fallen) / pull
        } else {
            start + (reached - start) * (drop / fallen.max(0.04 * drop)).sqrt()
        })
    }
}

/// A linear figure at a point.
pub(crate) fn along(point: &Point, figure: &[f64]) -> f64 {
    if figure.is_empty() {
        return 0.0;
    }
    plain_dot(&point.parameters(), figure)
}

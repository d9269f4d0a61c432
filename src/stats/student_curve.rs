//! Student's quantile of one probability over the degrees of freedom.

use super::quantile::student_quantile;
use std::f64::consts::PI;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Degrees of freedom between which the quantile is one polynomial in their inverse.
const ENDS: [f64; 5] = [3.0, 6.0, 15.0, 60.0, 1000.0];
/// Terms of each polynomial.
const TERMS: usize = 24;
/// Probabilities whose curves are kept.
const MOST: usize = 8;

/// The quantile by Chebyshev series (L. N. Trefethen, Approximation Theory and Approximation Practice, 2013,
/// ch. 3), to about 1e-12: a record asks for a hundred of them, all at the same few probabilities.
struct StudentCurve {
    probability: f64,
    pieces: [OnceLock<[f64; TERMS]>; ENDS.len() - 1],
}

impl StudentCurve {
    /// The curve of a probability, kept as long as few are in use.
    fn shared(probability: f64) -> Arc<Self> {
        static KEPT: Mutex<Vec<Arc<StudentCurve>>> = Mutex::new(Vec::new());
        let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(curve) = kept.iter().find(|c| c.probability == probability) {
            return Arc::clone(curve);
        }
        let curve = Arc::new(Self {
            probability,
            pieces: [const { OnceLock::new() }; ENDS.len() - 1],
        });
        if kept.len() >= MOST {
            kept.remove(0);
        }
        kept.push(Arc::clone(&curve));
        curve
    }

    fn at(&self, dof: f64) -> Option<f64> {
        let piece = ENDS.windows(2).position(|e| e[0] <= dof && dof <= e[1])?;
        let (low, high) = (1.0 / ENDS[piece + 1], 1.0 / ENDS[piece]);
        let terms = self.pieces[piece].get_or_init(|| self.series(low, high));
        let x = (2.0 / dof - low - high) / (high - low);
        // Clenshaw's recurrence.
        let (mut one, mut two) = (0.0, 0.0);
        for term in terms.iter().skip(1).rev() {
            (one, two) = (2.0 * x * one - two + term, one);
        }
        Some(x * one - two + terms[0])
    }

    /// Coefficients between two inverses of the degrees of freedom.
    fn series(&self, low: f64, high: f64) -> [f64; TERMS] {
        let angle = |i: usize| PI * (i as f64 + 0.5) / TERMS as f64;
        let values: [f64; TERMS] = std::array::from_fn(|i| {
            let inverse = 0.5 * (low + high) + 0.5 * (high - low) * angle(i).cos();
            student_quantile(self.probability, 1.0 / inverse)
        });
        std::array::from_fn(|j| {
            let sum: f64 = (0..TERMS)
                .map(|i| values[i] * (j as f64 * angle(i)).cos())
                .sum();
            sum * if j == 0 { 1.0 } else { 2.0 } / TERMS as f64
        })
    }
}

/// [`student_quantile`] of a probability that is asked for again and again.
pub(super) fn recurring_student_quantile(probability: f64, dof: f64) -> f64 {
    let within = (ENDS[0]..=ENDS[ENDS.len() - 1]).contains(&dof) && probability < 1.0;
    within
        .then(|| StudentCurve::shared(probability).at(dof))
        .flatten()
        .unwrap_or_else(|| student_quantile(probability, dof))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_curve_is_the_quantile() {
        for probability in [0.75, 0.975, 0.9995] {
            for i in 0..400 {
                let dof = 2.5 * (f64::from(i) * 0.016).exp();
                assert_relative_eq!(
                    recurring_student_quantile(probability, dof),
                    student_quantile(probability, dof),
                    max_relative = 1e-11
                );
            }
        }
    }
}

//! Combination of standard uncertainties: JCGM 100:2008 (GUM).

/// Combined standard uncertainty of y = Σ cᵢ xᵢ with correlated inputs:
/// u² = Σᵢ Σⱼ cᵢ cⱼ r(i, j) u(xᵢ) u(xⱼ) (JCGM 100:2008, 5.2.2).
///
/// `correlation(i, j)` is asked for i ≠ j only. Shorter of the two slices counts.
#[must_use]
pub fn combined_uncertainty(
    sensitivities: &[f64],
    uncertainties: &[f64],
    correlation: impl Fn(usize, usize) -> f64,
) -> f64 {
    let parts: Vec<f64> = sensitivities
        .iter()
        .zip(uncertainties)
        .map(|(c, u)| c * u)
        .collect();
    let mut square = 0.0;
    for (i, a) in parts.iter().enumerate() {
        square += a * a;
        for (j, b) in parts.iter().enumerate().skip(i + 1) {
            square += 2.0 * a * b * correlation(i, j);
        }
    }
    square.max(0.0).sqrt()
}

/// Effective degrees of freedom of independent contributions (uncertainty, degrees of freedom):
/// ν = u⁴ / Σ uᵢ⁴/νᵢ (Welch 1947, Satterthwaite 1946; JCGM 100:2008, G.4.1). Infinite where none
/// counts.
#[must_use]
pub fn welch_satterthwaite(contributions: &[(f64, f64)]) -> f64 {
    let square: f64 = contributions.iter().map(|(u, _)| u * u).sum();
    let fourth: f64 = contributions.iter().map(|(u, dof)| u.powi(4) / dof).sum();
    if fourth > 0.0 {
        square * square / fourth
    } else {
        f64::INFINITY
    }
}

/// Standard uncertainty of a rectangular distribution of half-width `limit` (JCGM 100:2008, 4.3.7).
#[must_use]
pub fn rectangular(limit: f64) -> f64 {
    limit.abs() / 3.0_f64.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn combined_uncertainty_by_example() {
        // a gain error common to both parts of a difference of equal readings cancels
        assert_eq!(
            combined_uncertainty(&[1.0, -1.0], &[0.2, 0.2], |_, _| 1.0),
            0.0
        );
    }
}

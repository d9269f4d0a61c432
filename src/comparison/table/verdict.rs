//! Verdicts of a whole table.

use super::rows::Row;
use crate::comparison::result::Verdict;
use crate::quantity::Quantity;

/// Verdicts by the method that the comparison states.
pub(in crate::comparison) fn settle(rows: &mut [Row], confidence: f64, has_isolated: bool) {
    let count = |is: fn(Quantity) -> bool| rows.iter().filter(|r| is(r.quantity.name)).count();
    let harmonics = count(|q| matches!(q, Quantity::Harmonic(_)));
    let lines = count(|q| q == Quantity::Line);
    let headline = rows.len() - harmonics - lines;
    let (of_harmonics, of_lines) = if lines > 0 { (0.25, 0.25) } else { (0.5, 0.0) };
    let tested: Vec<(usize, (f64, f64))> = rows
        .iter()
        .enumerate()
        .filter_map(|(index, row)| {
            let weight = match row.quantity.name {
                Quantity::Harmonic(_) => of_harmonics / harmonics as f64,
                Quantity::Line => of_lines / lines as f64,
                _ => 0.5 / headline as f64,
            };
            Some((index, (row.quantity.p_value?, weight)))
        })
        .collect();
    let hypotheses: Vec<(f64, f64)> = tested.iter().map(|(_, hypothesis)| *hypothesis).collect();
    for (&(index, _), adjusted) in tested.iter().zip(holm(&hypotheses)) {
        let row = &mut rows[index];
        row.quantity.adjusted_p_value = Some(adjusted);
        let Some(ratio) = row.quantity.improvement_db else {
            continue;
        };
        if adjusted > 1.0 - confidence || !ratio.excludes_zero() {
            continue;
        }
        row.quantity.verdict = if ratio.low <= 0.0 {
            Verdict::Worse
        } else if has_isolated && row.at_floor {
            Verdict::AtFloor
        } else {
            Verdict::Improved
        };
    }
}

/// Adjusted p values by Holm's procedure with weights (S. Holm, Scand. J. Stat. 6, 1979): they hold
/// the probability of any false rejection under any dependence of the figures.
///
/// `hypotheses` are (p value, weight) with positive weights of any sum.
#[must_use]
fn holm(hypotheses: &[(f64, f64)]) -> Vec<f64> {
    let mut order: Vec<(usize, f64, f64)> = hypotheses
        .iter()
        .enumerate()
        .map(|(i, &(p, weight))| (i, p, weight))
        .collect();
    order.sort_by(|a, b| (a.1 / a.2).total_cmp(&(b.1 / b.2)));
    let mut remaining: f64 = hypotheses.iter().map(|(_, weight)| weight).sum();
    let mut adjusted = vec![1.0; hypotheses.len()];
    let mut largest: f64 = 0.0;
    for (index, p, weight) in order {
        largest = largest.max(p * remaining / weight).min(1.0);
        if let Some(slot) = adjusted.get_mut(index) {
            *slot = largest;
        }
        remaining -= weight;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Four equal weights: 4 p₁, 3 p₂, 2 p₃, p₄, made monotone (Holm 1979).
    #[test]
    fn equal_weights_give_holms_adjusted_values() {
        let adjusted = holm(&[(0.01, 1.0), (0.04, 1.0), (0.03, 1.0), (0.005, 1.0)]);
        for (found, expected) in adjusted.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert_abs_diff_eq!(*found, expected, epsilon = 1e-12);
        }
    }

    #[test]
    fn a_heavier_hypothesis_pays_less() {
        let adjusted = holm(&[(0.02, 0.5), (0.3, 0.25), (0.4, 0.25)]);
        assert_abs_diff_eq!(adjusted[0], 0.04, epsilon = 1e-12);
        assert!(holm(&[]).is_empty());
    }
}

//! Noise level beside lines, read from a density that still holds them.

use crate::stats::chi_square_ratio_quantile;
use std::cell::Cell;

/// The level of a density around one frequency, robust against lines: the lower third of the
/// values within `reach` bins either side, scaled to the mean of noise with `dof` degrees of freedom.
pub(crate) fn robust_level(density: &[f64], bin: f64, reach: f64, dof: f64) -> f64 {
    let last = density.len().saturating_sub(1);
    let from = ((bin - reach).ceil().max(1.0) as usize).min(last);
    let to = ((bin + reach).floor().max(1.0) as usize).min(last);
    let mut values: Vec<f64> = density[from..=to].to_vec();
    if values.is_empty() {
        return 0.0;
    }
    lower_third(&mut values, dof)
}

/// Mean of noise powers with `dof` degrees of freedom each, from the lower third of values of which some hold more; there is
/// one at least.
pub(super) fn lower_third(values: &mut [f64], dof: f64) -> f64 {
    let rank = values.len() / 3;
    let (_, &mut value, _) = values.select_nth_unstable_by(rank, f64::total_cmp);
    let probability = (rank as f64 + 0.7) / (values.len() as f64 + 0.4);
    value / quantile(probability, dof).max(0.05)
}

/// Quantile of chi-square over its degrees of freedom; the last one is kept, since neighbours ask for the same.
fn quantile(probability: f64, dof: f64) -> f64 {
    thread_local! {
        static LAST: Cell<(f64, f64, f64)> = const { Cell::new((f64::NAN, f64::NAN, f64::NAN)) };
    }
    let (of, with, value) = LAST.get();
    if (of, with) == (probability, dof) {
        return value;
    }
    let value = chi_square_ratio_quantile(probability, dof);
    LAST.set((probability, dof, value));
    value
}

//! Noise level beside lines, read from a density that still holds them.

/// The level of a density around one frequency, robust against lines: the lower third of the
/// values within `reach` bins either side, scaled to the mean of noise with `dof` degrees of freedom.
pub(super) fn robust_level(density: &[f64], bin: f64, reach: f64, dof: f64) -> f64 {
    let last = density.len().saturating_sub(1);
    let from = ((bin - reach).ceil().max(1.0) as usize).min(last);
    let to = ((bin + reach).floor().max(1.0) as usize).min(last);
    let mut values: Vec<f64> = density[from..=to].to_vec();
    if values.is_empty() {
        return 0.0;
    }
    let rank = values.len() / 3;
    let (_, &mut value, _) = values.select_nth_unstable_by(rank, f64::total_cmp);
    let probability = (rank as f64 + 0.7) / (values.len() as f64 + 0.4);
    value / crate::stats::chi_square_ratio_quantile(probability, dof).max(0.05)
}

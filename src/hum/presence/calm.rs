//! What of a record is calm enough to be looked at.

/// Power over the quiet quarter's from which a stretch is not calm.
const CALM: f64 = 4.0;

/// Weights that lessen stretches of far more power than the rest of the record has, after what repeats from cycle to cycle
/// is taken off; `None` where there are none.
pub(super) fn calm_weights(samples: &[f64], cycle: usize) -> Option<Vec<f64>> {
    let count = samples.len();
    if cycle < 4 || count < 8 * cycle {
        return None;
    }
    let squares: Vec<f64> = (0..count)
        .map(|i| {
            let other = if i >= cycle { i - cycle } else { i + cycle };
            (samples[i] - samples[other]).powi(2)
        })
        .collect();
    // A cycle and more behind, since a difference shows what happened at both its ends.
    let powers = means_around(&squares, cycle / 2, cycle + cycle / 2);
    let mut sorted: Vec<f64> = powers
        .iter()
        .step_by((count / 2048).max(1))
        .copied()
        .collect();
    let calm = sorted.len() / 4;
    let (_, calm, _) = sorted.select_nth_unstable_by(calm, f64::total_cmp);
    let calm = *calm * CALM;
    if !(calm > 0.0) || powers.iter().all(|p| *p <= calm) {
        return None;
    }
    let raw: Vec<f64> = powers
        .iter()
        .map(|p| (calm / p.max(calm)).min(1.0))
        .collect();
    // Smooth edges: a mean over a cycle.
    let weights = means_around(&raw, cycle / 2, cycle / 2);
    (weights.iter().sum::<f64>() > 0.2 * count as f64).then_some(weights)
}

/// Mean about each value, from so many before it to so many behind.
fn means_around(values: &[f64], before: usize, behind: usize) -> Vec<f64> {
    let mut sums = vec![0.0; values.len() + 1];
    for (i, value) in values.iter().enumerate() {
        sums[i + 1] = sums[i] + value;
    }
    (0..values.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(before), (i + behind).min(values.len()));
            (sums[to] - sums[from]) / (to - from).max(1) as f64
        })
        .collect()
}

//! Means over stretches of a density.

/// Running sums of a density and its weights, to fill a covered bin from both sides.
pub(super) struct RunningSums {
    values: Vec<f64>,
    weights: Vec<f64>,
}

impl RunningSums {
    pub(super) fn new(raw: &[f64], weight: &[f64]) -> Self {
        let run = |terms: &mut dyn Iterator<Item = f64>| {
            let mut sum = 0.0;
            std::iter::once(0.0)
                .chain(terms.map(|t| {
                    sum += t;
                    sum
                }))
                .collect::<Vec<f64>>()
        };
        Self {
            values: run(&mut raw
                .iter()
                .zip(weight)
                .map(|(v, &w)| if w > 0.0 { *v } else { 0.0 })),
            weights: run(&mut weight.iter().copied()),
        }
    }

    /// Σ values / Σ weights over `reach` bins either side.
    pub(super) fn mean_about(&self, bin: usize, reach: usize) -> f64 {
        let count = self.weights.len() - 1;
        let (from, to) = (bin.saturating_sub(reach), (bin + reach + 1).min(count));
        (self.values[to] - self.values[from]) / (self.weights[to] - self.weights[from])
    }

    /// Σ values / Σ weights over the nearest stretch that holds enough on each side.
    pub(super) fn neighbours(&self, bin: usize) -> f64 {
        let count = self.weights.len() - 1;
        let mut reach = 3;
        loop {
            let (from, to) = (bin.saturating_sub(reach), (bin + reach + 1).min(count));
            let left = self.weights[bin] - self.weights[from];
            let right = self.weights[to] - self.weights[bin];
            let whole = from == 0 && to == count;
            if (left >= 2.0 || from == 0) && (right >= 2.0 || to == count) && left + right >= 3.0
                || whole
            {
                let weight = self.weights[to] - self.weights[from];
                return if weight > 0.0 {
                    (self.values[to] - self.values[from]) / weight
                } else {
                    0.0
                };
            }
            reach += 1 + reach / 4;
        }
    }
}

//! Medians over a window that moves forward.

use crate::stats::median;

/// Most values of which a median is taken.
const MOST_VALUES: usize = 64;
/// Fewest values that have a median worth the name.
const LEAST_VALUES: usize = 3;

/// Medians of windows over the same values; of a long window, of an even selection of its values.
#[derive(Debug, Clone)]
pub(super) struct RunningMedian<'a> {
    values: &'a [f64],
    /// The last short window, and its values in order.
    from: usize,
    to: usize,
    sorted: Vec<f64>,
}

impl<'a> RunningMedian<'a> {
    pub(super) fn new(values: &'a [f64]) -> Self {
        Self {
            values,
            from: 0,
            to: 0,
            sorted: Vec::with_capacity(MOST_VALUES + 1),
        }
    }

    /// Median of the values `from..to`, the upper of two; `None` of too few. Quick where neither end lies before that
    /// of the last call.
    pub(super) fn of(&mut self, from: usize, to: usize) -> Option<f64> {
        let count = to.saturating_sub(from);
        if count < LEAST_VALUES {
            return None;
        }
        if count > MOST_VALUES {
            let own = self.values[from..to].iter();
            self.sorted.clear();
            self.sorted.extend(own.step_by(count.div_ceil(MOST_VALUES)));
            (self.from, self.to) = (to, to);
            let median = median(&mut self.sorted);
            self.sorted.clear();
            return Some(median);
        }
        if from >= self.to || from < self.from || to < self.to {
            self.sorted.clear();
            (self.from, self.to) = (from, from);
        }
        for value in &self.values[self.to..to] {
            self.sorted.insert(self.place(*value), *value);
        }
        for value in &self.values[self.from..from] {
            self.sorted.remove(self.place(*value));
        }
        (self.from, self.to) = (from, to);
        Some(self.sorted[count / 2])
    }

    fn place(&self, value: f64) -> usize {
        self.sorted
            .partition_point(|other| other.total_cmp(&value).is_lt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    #[test]
    fn medians_are_those_of_the_values_selected() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let values: Vec<f64> = (0..300)
            .map(|_| f64::from(rng.random_range(0..40)))
            .collect();
        for length in [2usize, 5, 64, 150] {
            let mut running = RunningMedian::new(&values);
            for at in 0..values.len() {
                let (from, to) = (at.saturating_sub(length / 2), (at + length / 2).min(300));
                let step = (to - from).div_ceil(MOST_VALUES);
                let own = values[from..to].iter().step_by(step);
                let mut own: Vec<f64> = own.copied().collect();
                let expected = (to - from >= LEAST_VALUES).then(|| median(&mut own));
                assert_eq!(running.of(from, to), expected, "{length} {at}");
            }
        }
    }
}

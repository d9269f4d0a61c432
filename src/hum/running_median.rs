//! Medians over a window that moves forward.

/// Most values of which a median is taken.
const MOST_VALUES: usize = 64;
/// Fewest values that have a median worth the name.
const LEAST_VALUES: usize = 3;

/// Medians of windows of about one length over the same values; of a long window, of an even selection of the values.
#[derive(Debug, Clone)]
pub(super) struct RunningMedian<'a> {
    values: &'a [f64],
    /// Values from one that counts to the next.
    step: usize,
    /// The window, in values that count.
    from: usize,
    to: usize,
    sorted: Vec<f64>,
}

impl<'a> RunningMedian<'a> {
    /// For windows of `length` values.
    pub(super) fn new(values: &'a [f64], length: usize) -> Self {
        Self {
            values,
            step: length.div_ceil(MOST_VALUES).max(1),
            from: 0,
            to: 0,
            sorted: Vec::with_capacity(MOST_VALUES + 1),
        }
    }

    /// Median of the values `from..to`, the upper of two; `None` of too few. Neither end lies before that of the last call.
    pub(super) fn of(&mut self, from: usize, to: usize) -> Option<f64> {
        let (from, to) = (from.div_ceil(self.step), to.div_ceil(self.step));
        while self.to < to {
            let value = self.values[self.to * self.step];
            self.sorted.insert(self.place(value), value);
            self.to += 1;
        }
        while self.from < from.min(self.to) {
            let value = self.values[self.from * self.step];
            self.sorted.remove(self.place(value));
            self.from += 1;
        }
        (self.sorted.len() >= LEAST_VALUES).then(|| self.sorted[self.sorted.len() / 2])
    }

    fn place(&self, value: f64) -> usize {
        self.sorted
            .partition_point(|other| other.total_cmp(&value).is_lt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::median;
    use rand::{RngExt, SeedableRng};

    #[test]
    fn medians_are_those_of_the_window_sorted() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let values: Vec<f64> = (0..300)
            .map(|_| f64::from(rng.random_range(0..40)))
            .collect();
        for length in [2usize, 5, 64, 150] {
            let step = length.div_ceil(MOST_VALUES);
            let mut running = RunningMedian::new(&values, length);
            for at in 0..values.len() {
                let (from, to) = (at.saturating_sub(length / 2), (at + length / 2).min(300));
                let mut own: Vec<f64> = (from..to)
                    .filter(|i| i % step == 0)
                    .map(|i| values[i])
                    .collect();
                let expected = (own.len() >= LEAST_VALUES).then(|| median(&mut own));
                assert_eq!(running.of(from, to), expected, "{length} {at}");
            }
        }
    }
}

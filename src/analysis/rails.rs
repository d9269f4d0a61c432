//! Clipping: samples at the limit of the range.

/// Runs of equal extreme values from which a rail is inferred.
const RUN: usize = 3;
/// Runs needed at one extreme.
const RUNS: usize = 2;

/// The limits of the range, stated or inferred, and what was found at them.
///
/// A stated full scale counts every sample at or beyond it (within half a step). Without one, a rail
/// is an extreme value that the record holds in at least two runs of three or more equal samples:
/// noise never stands still at its own extreme.
#[derive(Debug, Clone)]
pub(super) struct Rails {
    high: f64,
    low: f64,
    stated: bool,
    clipped: u64,
}

impl Rails {
    pub(super) fn new(full_scale: Option<f64>, lsb: Option<f64>) -> Self {
        match full_scale {
            // Two's complement reaches one step less on the upper side.
            Some(limit) => Self {
                high: limit - 1.5 * lsb.unwrap_or(0.0) - 1e-9 * limit,
                low: -limit + 0.5 * lsb.unwrap_or(0.0) + 1e-9 * limit,
                stated: true,
                clipped: 0,
            },
            None => Self {
                high: f64::INFINITY,
                low: f64::NEG_INFINITY,
                stated: false,
                clipped: 0,
            },
        }
    }

    /// Infers the rails from a stretch of the record, where none is stated.
    pub(super) fn learn(&mut self, samples: &[f64]) {
        if self.stated {
            return;
        }
        let finite = || samples.iter().copied().filter(|x| x.is_finite());
        let (max, min) = (
            finite().fold(f64::NEG_INFINITY, f64::max),
            finite().fold(f64::INFINITY, f64::min),
        );
        if !(max > min) {
            return;
        }
        // A capture of a few levels stands still everywhere: no rail can be told there.
        let mut still = 0usize;
        let mut total = 0usize;
        for pair in samples.windows(2) {
            still += usize::from(pair[0] == pair[1]);
            total += 1;
        }
        if still * 5 > total {
            return;
        }
        if runs(samples, max) >= RUNS {
            self.high = max;
        }
        if runs(samples, min) >= RUNS {
            self.low = min;
        }
    }

    /// Counts the samples at the rails and marks them as overload.
    pub(super) fn mark(&mut self, samples: &mut [f64]) {
        for x in samples {
            if *x >= self.high {
                *x = f64::INFINITY;
                self.clipped += 1;
            } else if *x <= self.low {
                *x = f64::NEG_INFINITY;
                self.clipped += 1;
            }
        }
    }

    pub(super) fn clipped(&self) -> u64 {
        self.clipped
    }
}

fn runs(samples: &[f64], extreme: f64) -> usize {
    let mut count = 0;
    let mut length = 0;
    for &x in samples {
        if x == extreme {
            length += 1;
            count += usize::from(length == RUN);
        } else {
            length = 0;
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clipped_sine_shows_its_rails_and_a_clean_one_none() {
        let sine = |limit: f64| -> Vec<f64> {
            (0..2000)
                .map(|i| (f64::from(i) * 0.0631).sin().clamp(-limit, limit))
                .collect()
        };
        let mut rails = Rails::new(None, None);
        let mut clipped = sine(0.95);
        rails.learn(&clipped);
        rails.mark(&mut clipped);
        assert!(rails.clipped() > 300);
        let mut rails = Rails::new(None, None);
        let mut clean = sine(2.0);
        rails.learn(&clean);
        rails.mark(&mut clean);
        assert_eq!(rails.clipped(), 0);
    }

    #[test]
    fn a_stated_full_scale_counts_without_runs() {
        let mut rails = Rails::new(Some(1.0), Some(0.01));
        rails.mark(&mut [0.5, 0.99, 1.0, -1.0, -0.98]);
        assert_eq!(rails.clipped(), 3);
    }
}

//! Samples at the limit of the range: how many, and where.

use crate::analysis::Rails;
use crate::separation::result::ClippedStretch;

/// Clipped samples nearer than this share of the record belong together.
const APART: f64 = 0.01;

/// Clipped samples, counted stretch by stretch.
#[derive(Debug, Clone, Default)]
pub(crate) struct Clipping {
    count: u64,
    /// First sample, end, and number of the clipped ones.
    runs: Vec<(usize, usize, u64)>,
}

impl Clipping {
    /// Counts those of `samples`, the first of which is number `start`.
    pub(crate) fn add(&mut self, samples: &[f64], start: usize, rails: &Rails) {
        for (i, _) in samples
            .iter()
            .enumerate()
            .filter(|(_, v)| rails.beyond(**v))
        {
            let at = start + i;
            self.count += 1;
            match self.runs.last_mut() {
                // While the record grows, what is near grows with it.
                Some(last) if at - last.1 <= 64 + (APART * at as f64) as usize => {
                    last.1 = at + 1;
                    last.2 += 1;
                }
                _ => self.runs.push((at, at + 1, 1)),
            }
        }
    }

    pub(crate) fn count(&self) -> u64 {
        self.count
    }

    pub(crate) fn stretches(&self, rate_hz: f64) -> Vec<ClippedStretch> {
        let stretch = |(start, end, samples): &(usize, usize, u64)| ClippedStretch {
            start_s: *start as f64 / rate_hz,
            end_s: *end as f64 / rate_hz,
            samples: *samples,
        };
        self.runs.iter().map(stretch).collect()
    }
}

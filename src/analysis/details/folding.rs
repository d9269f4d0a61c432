//! Hum and residual folded on the mains cycle.

use crate::analysis::measurement::Folded;
use crate::analysis::series::SegmentFit;
use std::f64::consts::TAU;

/// Parts of a cycle.
const BINS: usize = 200;

/// Number, sum and sum of squares of the samples in each part of a cycle.
#[derive(Debug, Clone)]
pub(crate) struct Folding {
    sums: Vec<(f64, f64, f64)>,
}

impl Folding {
    pub(crate) fn new() -> Self {
        Self {
            sums: vec![(0.0, 0.0, 0.0); BINS],
        }
    }

    /// Adds the segments of a stream; cycles start at the crest of the fundamental.
    pub(crate) fn add(&mut self, samples: &[f64], segments: &[SegmentFit]) {
        for segment in segments {
            let middle = 0.5 * (segment.fit.length as f64 - 1.0);
            let first = (segment.centre - middle).round().max(0.0) as usize;
            // The fundamental's phase at the segment's middle fixes where a cycle starts.
            let turn = segment.fit.harmonics.first().map_or(0.0, |c| c.arg() / TAU);
            for n in 0..segment.fit.length {
                let Some(x) = samples.get(first + n) else {
                    break;
                };
                let phase = (segment.fit.fundamental * (n as f64 - middle) + turn).rem_euclid(1.0);
                let sums = &mut self.sums[((phase * BINS as f64) as usize).min(BINS - 1)];
                let x = x - segment.fit.offset;
                sums.0 += 1.0;
                sums.1 += x;
                sums.2 += x * x;
            }
        }
    }

    /// Adds what another stretch gave.
    pub(crate) fn join(&mut self, other: &Self) {
        for (mine, theirs) in self.sums.iter_mut().zip(&other.sums) {
            mine.0 += theirs.0;
            mine.1 += theirs.1;
            mine.2 += theirs.2;
        }
    }

    pub(crate) fn figures(&self) -> Folded {
        let filled = || self.sums.iter().enumerate().filter(|(_, s)| s.0 > 0.0);
        Folded::new(
            filled()
                .map(|(i, _)| (i as f64 + 0.5) / BINS as f64)
                .collect(),
            filled().map(|(_, s)| s.1 / s.0).collect(),
            filled()
                .map(|(_, s)| (s.2 / s.0 - (s.1 / s.0).powi(2)).max(0.0).sqrt())
                .collect(),
        )
    }
}

//! Hum and residual folded on the mains cycle.

use crate::analysis::measurement::Folded;
use crate::analysis::series::SegmentFit;
use std::f64::consts::TAU;

/// Parts of a cycle.
const BINS: usize = 200;

/// Number, sum and sum of squares of the samples in each part of a cycle.
#[derive(Debug, Clone)]
pub(crate) struct Folding {
    sums: Vec<[f64; 3]>,
}

impl Folding {
    pub(crate) fn new() -> Self {
        Self {
            sums: vec![[0.0; 3]; BINS],
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
                let x = x - segment.fit.offset;
                add(
                    &mut self.sums[((phase * BINS as f64) as usize).min(BINS - 1)],
                    [1.0, x, x * x],
                );
            }
        }
    }

    /// Adds what another stretch gave.
    pub(crate) fn join(&mut self, other: Self) {
        for (mine, theirs) in self.sums.iter_mut().zip(other.sums) {
            add(mine, theirs);
        }
    }

    pub(crate) fn figures(&self) -> Folded {
        let (mut phases, mut means, mut deviations) = (Vec::new(), Vec::new(), Vec::new());
        for (i, &[count, sum, squares]) in self.sums.iter().enumerate() {
            if count > 0.0 {
                let mean = sum / count;
                phases.push((i as f64 + 0.5) / BINS as f64);
                means.push(mean);
                deviations.push((squares / count - mean.powi(2)).max(0.0).sqrt());
            }
        }
        Folded::new(phases, means, deviations)
    }
}

fn add(sums: &mut [f64; 3], more: [f64; 3]) {
    for (sum, own) in sums.iter_mut().zip(more) {
        *sum += own;
    }
}

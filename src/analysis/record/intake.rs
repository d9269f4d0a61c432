//! A long record as it is read: a copy at a lower rate, and the density of what lies above it.

use crate::numeric::{bridge, finite};
use crate::parallel::*;
use crate::spectrum::{Decimator, Density, OverlapSave, Tapers, WholeBinTapers};

/// Stretches that are worked at once.
const BATCH: usize = 8;
/// Samples of a stretch, about: one record of the density.
const STRETCH: usize = 1 << 14;
/// Sums of densities side by side, whatever the number of threads.
const LANES: usize = 4;

/// Decimates a record and estimates its density at the full rate, from one transform of each stretch.
#[derive(Debug)]
pub(crate) struct Intake {
    decimator: Decimator,
    lanes: Vec<Lane>,
    /// Samples from one stretch to the next, of a stretch, and of what it gives.
    hop: usize,
    length: usize,
    outputs: usize,
    /// Samples read that are not done with.
    pending: Vec<f64>,
    /// The lane that takes the next stretch.
    next_lane: usize,
}

#[derive(Debug, Clone)]
struct Lane {
    estimator: WholeBinTapers,
    density: Density,
    /// The same of stretches with gaps, bridged: strong hum leaves steps there.
    bridged: Density,
    overlap_save: OverlapSave,
}

impl Lane {
    fn work(&mut self, stretch: &[f64], decimator: &Decimator, output: &mut [f64]) {
        if finite(stretch) {
            if let Some(transform) = self.estimator.accumulate(stretch, &mut self.density) {
                self.overlap_save.fill(transform, output);
            }
            return;
        }
        // A gap is for the outputs that it touches alone.
        let mut own = Vec::with_capacity(output.len());
        decimator.run(stretch, &mut own);
        output.copy_from_slice(&own[..output.len()]);
        let mut stretch = stretch.to_vec();
        bridge(&mut stretch);
        self.estimator.accumulate(&stretch, &mut self.bridged);
    }
}

impl Intake {
    /// For a factor of 2 or more.
    pub(crate) fn new(factor: usize, rate_hz: f64) -> Self {
        let decimator = Decimator::new(factor);
        let overlap_save = OverlapSave::new(&decimator, STRETCH);
        let estimator = WholeBinTapers::new(overlap_save.length());
        let (hop, length) = (overlap_save.hop(), overlap_save.length());
        let outputs = overlap_save.outputs();
        let lane = Lane {
            density: estimator.start(rate_hz),
            bridged: estimator.start(rate_hz),
            estimator,
            overlap_save,
        };
        Self {
            decimator,
            lanes: vec![lane; LANES],
            hop,
            length,
            outputs,
            pending: Vec::new(),
            next_lane: 0,
        }
    }

    /// Takes samples, of which `mark` makes those that are clipped not finite; what they give at the lower rate is
    /// appended.
    pub(crate) fn push(
        &mut self,
        samples: &[f64],
        mark: &mut dyn FnMut(&mut [f64]),
        low: &mut Vec<f64>,
    ) {
        let batch = BATCH * self.hop;
        for part in samples.chunks(batch) {
            let from = self.pending.len();
            self.pending.extend_from_slice(part);
            mark(&mut self.pending[from..]);
            if self.pending.len() >= batch + self.length {
                self.work(low);
            }
        }
    }

    /// Works the stretches that are complete.
    fn work(&mut self, low: &mut Vec<f64>) {
        let count = (self.pending.len() + self.hop).saturating_sub(self.length) / self.hop;
        let from = low.len();
        low.resize(from + count * self.outputs, 0.0);
        let mut shares: Vec<Vec<(&[f64], &mut [f64])>> = (0..LANES).map(|_| Vec::new()).collect();
        for (i, output) in low[from..].chunks_mut(self.outputs).enumerate() {
            let start = i * self.hop;
            let stretch = &self.pending[start..start + self.length];
            shares[(self.next_lane + i) % LANES].push((stretch, output));
        }
        let decimator = &self.decimator;
        self.lanes
            .par_iter_mut()
            .zip(shares)
            .for_each(|(lane, share)| {
                for (stretch, output) in share {
                    lane.work(stretch, decimator, output);
                }
            });
        self.next_lane = (self.next_lane + count) % LANES;
        self.pending.drain(..count * self.hop);
    }

    /// Works what is left; the decimator and the density above it at the rate as it is known in the end.
    pub(crate) fn finish(mut self, rate_hz: f64, low: &mut Vec<f64>) -> (Decimator, Option<High>) {
        self.work(low);
        self.decimator.run(&self.pending, low);
        let mut lanes = self.lanes.into_iter();
        let high = lanes.next().map(|mut first| {
            for other in lanes {
                first.density.add(&other.density);
                first.bridged.add(&other.bridged);
            }
            // Stretches with gaps count only where there are hardly others.
            if first.density.records < first.bridged.records {
                first.density.add(&first.bridged);
            }
            first.density.rescale(rate_hz);
            High {
                estimator: first.estimator,
                density: first.density,
            }
        });
        (self.decimator, high)
    }
}

/// Density at the record's own rate.
#[derive(Debug)]
pub(crate) struct High {
    estimator: WholeBinTapers,
    pub(crate) density: Density,
}

impl High {
    pub(crate) fn tapers(&self) -> &dyn Tapers {
        &self.estimator
    }
}

//! A long record as it is read: a copy at a lower rate, and the density of what lies above it.

use crate::spectrum::{Decimator, Density, Tapers, WholeBinTapers};
use rayon::prelude::*;

/// Samples that are worked at once.
const BATCH: usize = 1 << 17;
/// Samples of one record of the density.
const RECORD: usize = 1 << 14;
/// Sums of densities side by side, whatever the number of threads.
const LANES: usize = 4;

/// Decimates a record and estimates its density at the full rate.
#[derive(Debug)]
pub(super) struct Intake {
    decimator: Decimator,
    lanes: Vec<(WholeBinTapers, Density)>,
    /// Samples read that are not done with.
    pending: Vec<f64>,
    /// Where in them the next output begins, and the next record of the density.
    decimated: usize,
    estimated: usize,
    /// The lane that takes the next record.
    next_lane: usize,
}

impl Intake {
    pub(super) fn new(factor: usize, rate_hz: f64) -> Self {
        let lane = || {
            let estimator = WholeBinTapers::new(RECORD);
            let density = estimator.start(rate_hz);
            (estimator, density)
        };
        Self {
            decimator: Decimator::new(factor),
            lanes: (0..if factor > 1 { LANES } else { 0 })
                .map(|_| lane())
                .collect(),
            pending: Vec::with_capacity(2 * BATCH),
            decimated: 0,
            estimated: 0,
            next_lane: 0,
        }
    }

    /// Takes samples, of which `mark` makes those that are clipped not finite; what they give at the lower rate is
    /// appended.
    pub(super) fn push(
        &mut self,
        samples: &[f64],
        mark: &mut dyn FnMut(&mut [f64]),
        low: &mut Vec<f64>,
    ) {
        for part in samples.chunks(BATCH) {
            let from = self.pending.len();
            self.pending.extend_from_slice(part);
            mark(&mut self.pending[from..]);
            if self.pending.len() >= BATCH {
                self.work(low);
            }
        }
    }

    fn work(&mut self, low: &mut Vec<f64>) {
        self.decimated += self.decimator.run(&self.pending[self.decimated..], low);
        let count = self.lanes.len();
        if count == 0 {
            self.estimated = self.decimated;
        } else {
            // Only what the decimator is done with: a record is used up.
            let ready = self.estimated..self.decimated.min(self.pending.len()).max(self.estimated);
            let (records, _) = self.pending[ready].as_chunks_mut::<RECORD>();
            let taken = records.len();
            let mut shares: Vec<Vec<&mut [f64; RECORD]>> = (0..count).map(|_| Vec::new()).collect();
            for (i, record) in records.iter_mut().enumerate() {
                shares[(self.next_lane + i) % count].push(record);
            }
            self.lanes
                .par_iter_mut()
                .zip(shares)
                .for_each(|((estimator, density), records)| {
                    for record in records {
                        estimator.accumulate(record, density);
                    }
                });
            self.next_lane = (self.next_lane + taken) % count;
            self.estimated += taken * RECORD;
        }
        let done = self.decimated.min(self.estimated).min(self.pending.len());
        self.pending.drain(..done);
        self.decimated -= done;
        self.estimated -= done;
    }

    /// Works what is left; the decimator and, where the rate was lowered, the density above it at the rate as it is
    /// known in the end.
    pub(super) fn finish(mut self, rate_hz: f64, low: &mut Vec<f64>) -> (Decimator, Option<High>) {
        self.work(low);
        let mut lanes = self.lanes.into_iter();
        let high = lanes.next().map(|(estimator, mut density)| {
            for (_, other) in lanes {
                density.add(&other);
            }
            density.rescale(rate_hz);
            High { estimator, density }
        });
        (self.decimator, high)
    }
}

/// Density at the record's own rate.
#[derive(Debug)]
pub(super) struct High {
    estimator: WholeBinTapers,
    pub(super) density: Density,
}

impl High {
    pub(super) fn tapers(&self) -> &dyn Tapers {
        &self.estimator
    }
}

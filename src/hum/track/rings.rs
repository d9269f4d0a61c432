//! What the residual holds beside each line, in blocks of whole cycles of the common phase.

use super::model::Model;
use super::record::Record;
use crate::stats::median;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Most blocks over a record.
const MOST_BLOCKS: usize = 1024;

/// Noise beside one order (or half order): variance of a sample, were it white at that level.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub(super) variance: f64,
    pub(super) dof: f64,
}

/// The residual demodulated at one multiple of the common phase.
#[derive(Debug, Clone, Default)]
pub(super) struct Ring {
    /// Multiple of half the common phase.
    half: usize,
    /// Sums of the last even and odd block.
    open: [Complex64; 2],
    pub(super) blocks: Vec<Complex64>,
    samples: f64,
}

/// Demodulates `residual` at each multiple of half the common phase (`halves` = 2k for order k), over blocks of one
/// cycle (two for odd multiples), so that other orders cancel within a block.
pub(super) fn rings(
    record: &Record,
    model: &Model,
    residual: &[f64],
    halves: &[usize],
) -> Vec<Ring> {
    let cycles = model.mean_frequency_hz(record.duration_s) * record.duration_s;
    let stride = (cycles / MOST_BLOCKS as f64).ceil().max(1.0);
    let origin = model.angle(record.start_s);
    let highest = halves.iter().copied().max().unwrap_or(0);
    let mut powers = vec![Complex64::default(); highest + 1];
    let ring = |&half: &usize| Ring {
        half,
        ..Ring::default()
    };
    let mut rings: Vec<Ring> = halves.iter().map(ring).collect();
    let mut counts = [0.0; 2];
    let mut current = 0;
    for (i, (r, trust)) in residual.iter().zip(&record.trust).enumerate() {
        let angle = model.angle(record.time_s(i));
        let block = ((angle - origin) / (TAU * stride)).max(0.0) as usize;
        if block != current {
            for ring in &mut rings {
                ring.close(current % 2, counts);
            }
            if current % 2 == 1 {
                counts = [0.0; 2];
            }
            current = block;
        }
        let turn = Complex64::cis(-0.5 * angle);
        let mut power = Complex64::new(trust * r, 0.0);
        for value in &mut powers {
            *value = power;
            power *= turn;
        }
        for ring in &mut rings {
            ring.open[current % 2] += powers[ring.half];
        }
        counts[current % 2] += trust;
    }
    rings
}

/// Σ of values each turned by one more `step`.
pub(super) fn turned_sum(values: &[Complex64], step: Complex64) -> Complex64 {
    let (mut turn, mut sum) = (Complex64::new(1.0, 0.0), Complex64::default());
    for z in values {
        sum += z * turn;
        turn *= step;
    }
    sum
}

impl Ring {
    /// Ends an even or odd block of so many samples: orders take it as it is, half orders two at a time.
    fn close(&mut self, own: usize, counts: [f64; 2]) {
        if self.half.is_multiple_of(2) {
            self.blocks.push(self.open[own]);
            self.samples += counts[own];
        } else if own == 1 {
            self.blocks.push(self.open[0] + self.open[1]);
            self.samples += counts[0] + counts[1];
        }
        if own == 1 {
            self.open = Default::default();
        }
    }

    /// Level over the whole ring, of which the fit took `taken` real degrees of freedom.
    pub(super) fn level(&self, taken: f64) -> Level {
        let total = 2.0 * self.blocks.len() as f64;
        let power: f64 = self.blocks.iter().map(Complex64::norm_sqr).sum();
        let left = (total - taken).max(0.15 * total).max(1.0);
        let per_block = self.samples / (self.blocks.len() as f64).max(1.0);
        Level {
            variance: 2.0 * power / (per_block.max(1.0) * left),
            dof: left,
        }
    }

    /// Level of the bins within `reach` of the line, `taken` as above.
    pub(super) fn near(&self, reach: usize, taken: f64) -> Level {
        let n = self.blocks.len();
        let reach = reach.min(n.saturating_sub(1) / 2);
        let mut power = 0.0;
        for m in 0..=2 * reach {
            let step = Complex64::cis(-TAU * (m as f64 - reach as f64) / n as f64);
            power += turned_sum(&self.blocks, step).norm_sqr();
        }
        let total = 2.0 * (2 * reach + 1) as f64;
        let left = (total - taken).max(1.0);
        Level {
            variance: 2.0 * power / (self.samples.max(1.0) * left),
            dof: left,
        }
    }
}

/// Each level drawn together with its neighbours where it agrees with them.
pub(super) fn pooled(levels: &[Level]) -> Vec<Level> {
    (0..levels.len())
        .map(|i| {
            let own = levels[i];
            let around: Vec<Level> = (i.saturating_sub(2)..(i + 3).min(levels.len()))
                .filter(|&j| j != i)
                .map(|j| levels[j])
                .collect();
            if around.is_empty() {
                return own;
            }
            let mut values: Vec<f64> = around.iter().map(|l| l.variance).collect();
            let middle = median(&mut values);
            let spread = 1.0 + 2.6 * (2.0 / own.dof + 1.0 / around[0].dof).sqrt();
            if !(own.variance < middle * spread && own.variance * spread > middle) {
                return own;
            }
            let agreeing = around
                .iter()
                .filter(|l| l.variance < middle * spread && l.variance * spread > middle);
            let (mut sum, mut dof) = (own.variance * own.dof, own.dof);
            for level in agreeing {
                sum += 0.5 * level.variance * level.dof;
                dof += 0.5 * level.dof;
            }
            Level {
                variance: sum / dof,
                dof,
            }
        })
        .collect()
}

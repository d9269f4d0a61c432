//! Lowering the rate in front of the harmonic fit.

use super::low_pass::{low_pass, low_pass_gain};
use crate::numeric::{dot, vectorised};
use crate::parallel::*;

/// Taps of the low-pass for each step of decimation: 80 dB over a transition of a third of the output rate.
const TAPS_PER_FACTOR: usize = 15;
/// Outputs that are worth a thread's while.
const SHARE: usize = 1 << 12;

/// Low-pass and decimation by a whole factor, block by block.
///
/// A Kaiser-windowed sinc that keeps the lower third of the output rate
/// clean of aliases by 80 dB. A missing or overloaded sample makes every output that it touches
/// missing (NaN). Outputs stand at the middle of the taps: the first at
/// [`Decimator::first_centre`], the next each `factor` samples later.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f64>,
    pending: Vec<f64>,
}

impl Decimator {
    /// Share of the output rate below which it is clean.
    pub const CLEAN: f64 = 1.0 / 3.0;

    /// Largest factor.
    pub const MOST: usize = 1 << 16;

    /// Decimates by `factor`, 2 to [`Decimator::MOST`] (1 passes everything through; what is beyond counts as the
    /// nearest of them).
    #[must_use]
    pub fn new(factor: usize) -> Self {
        let factor = factor.clamp(1, Self::MOST);
        let taps = if factor == 1 {
            vec![1.0]
        } else {
            low_pass(TAPS_PER_FACTOR * factor + 1, factor)
        };
        Self {
            factor,
            taps,
            pending: Vec::new(),
        }
    }

    /// Input samples for one of the output.
    #[must_use]
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// The low-pass.
    pub(super) fn taps(&self) -> &[f64] {
        &self.taps
    }

    /// Place of the first output, in input samples from the record's start.
    #[must_use]
    pub fn first_centre(&self) -> f64 {
        0.5 * (self.taps.len() as f64 - 1.0)
    }

    /// Gain at ν cycles per input sample (the phase is zero: the taps are symmetric).
    #[must_use]
    pub fn gain(&self, cycles_per_sample: f64) -> f64 {
        low_pass_gain(&self.taps, cycles_per_sample)
    }

    /// Takes input and appends what can be put out.
    pub fn push(&mut self, input: &[f64], output: &mut Vec<f64>) {
        let mut pending = std::mem::take(&mut self.pending);
        pending.extend_from_slice(input);
        let done = self.run(&pending, output);
        pending.drain(..done);
        self.pending = pending;
    }

    /// Appends what a stretch of input gives, on all cores where it is long; returns how many of its samples are
    /// done with: the next stretch begins with the others.
    pub fn run(&self, input: &[f64], output: &mut Vec<f64>) -> usize {
        if self.factor == 1 {
            output.extend(
                input
                    .iter()
                    .map(|&x| if x.is_finite() { x } else { f64::NAN }),
            );
            return input.len();
        }
        let Some(span) = input.len().checked_sub(self.taps.len()) else {
            return 0;
        };
        let (from, count) = (output.len(), span / self.factor + 1);
        output.resize(from + count, 0.0);
        let work = |(share, values): (usize, &mut [f64])| {
            let first = share * SHARE * self.factor;
            vectorised(
                #[inline(always)]
                || filter(&self.taps, &input[first..], self.factor, values),
            );
        };
        let values = &mut output[from..];
        if count < 2 * SHARE {
            values.chunks_mut(SHARE).enumerate().for_each(work);
        } else {
            values.par_chunks_mut(SHARE).enumerate().for_each(work);
        }
        count * self.factor
    }
}

#[inline(always)]
fn filter(taps: &[f64], input: &[f64], factor: usize, output: &mut [f64]) {
    for (value, start) in output.iter_mut().zip((0..).step_by(factor)) {
        let sum = dot(taps, &input[start..start + taps.len()]);
        *value = if sum.is_finite() { sum } else { f64::NAN };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_the_lower_third_and_stops_its_aliases() {
        for factor in [2, 5, 64] {
            let decimator = Decimator::new(factor);
            let out = 1.0 / factor as f64;
            for i in 0..=33 {
                let nu = 0.01 * f64::from(i) * out;
                assert!(
                    (decimator.gain(nu) - 1.0).abs() < 2e-4,
                    "factor {factor}, {nu}"
                );
                assert!(
                    decimator.gain(out - nu).abs() < 2e-4,
                    "factor {factor}, alias of {nu}"
                );
            }
        }
    }

    #[test]
    fn blocks_do_not_change_the_output() {
        let x: Vec<f64> = (0..100_000).map(|i| (0.01 * f64::from(i)).sin()).collect();
        let mut whole = Vec::new();
        Decimator::new(4).push(&x, &mut whole);
        let mut parts = Vec::new();
        let mut decimator = Decimator::new(4);
        for block in x.chunks(37) {
            decimator.push(block, &mut parts);
        }
        assert_eq!(whole, parts);
    }
}

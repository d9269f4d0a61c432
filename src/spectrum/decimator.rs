//! Lowering the rate in front of the harmonic fit.

use super::bessel::bessel_i0;
use std::f64::consts::PI;

/// Taps of the low-pass for each step of decimation.
const TAPS_PER_FACTOR: usize = 12;
/// Kaiser shape for 80 dB of stop band.
const BETA: f64 = 7.86;

/// Low-pass and decimation by a whole factor, block by block.
///
/// A Kaiser-windowed sinc (J. F. Kaiser, 1974) that keeps the lower quarter of the output rate
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
    /// Decimates by `factor` (2 or more; 1 passes everything through).
    #[must_use]
    pub fn new(factor: usize) -> Self {
        let factor = factor.max(1);
        let taps = if factor == 1 {
            vec![1.0]
        } else {
            low_pass(factor)
        };
        Self {
            factor,
            taps,
            pending: Vec::new(),
        }
    }

    /// Place of the first output, in input samples from the record's start.
    #[must_use]
    pub fn first_centre(&self) -> f64 {
        0.5 * (self.taps.len() as f64 - 1.0)
    }

    /// Gain at ν cycles per input sample (the phase is zero: the taps are symmetric).
    #[must_use]
    pub fn gain(&self, cycles_per_sample: f64) -> f64 {
        let middle = self.first_centre();
        self.taps
            .iter()
            .enumerate()
            .map(|(i, tap)| tap * (2.0 * PI * cycles_per_sample * (i as f64 - middle)).cos())
            .sum()
    }

    /// Takes input and appends what can be put out.
    pub fn push(&mut self, input: &[f64], output: &mut Vec<f64>) {
        if self.factor == 1 {
            output.extend(
                input
                    .iter()
                    .map(|&x| if x.is_finite() { x } else { f64::NAN }),
            );
            return;
        }
        self.pending.extend_from_slice(input);
        let mut start = 0;
        while start + self.taps.len() <= self.pending.len() {
            let value = dot(&self.taps, &self.pending[start..start + self.taps.len()]);
            output.push(if value.is_finite() { value } else { f64::NAN });
            start += self.factor;
        }
        let done = start.min(self.pending.len());
        self.pending.drain(..done);
    }
}

/// Dot product in eight lanes, so that the compiler can use vector registers.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a_chunks, a_rest) = a.as_chunks::<8>();
    let (b_chunks, b_rest) = b.as_chunks::<8>();
    for (x, y) in a_chunks.iter().zip(b_chunks) {
        for (lane, (p, q)) in lanes.iter_mut().zip(x.iter().zip(y)) {
            *lane += p * q;
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(p, q)| p * q).sum();
    lanes.iter().sum::<f64>() + rest
}

fn low_pass(factor: usize) -> Vec<f64> {
    let length = TAPS_PER_FACTOR * factor + 1;
    let middle = 0.5 * (length as f64 - 1.0);
    let cutoff = 0.5 / factor as f64;
    let mut taps: Vec<f64> = (0..length)
        .map(|i| {
            let m = i as f64 - middle;
            let sinc = if m == 0.0 {
                2.0 * cutoff
            } else {
                (2.0 * PI * cutoff * m).sin() / (PI * m)
            };
            let inside = 1.0 - (m / (middle + 1.0)).powi(2);
            sinc * bessel_i0(BETA * inside.max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    for tap in &mut taps {
        *tap /= sum;
    }
    taps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_the_lower_quarter_and_stops_its_aliases() {
        for factor in [2, 5, 64] {
            let decimator = Decimator::new(factor);
            let out = 1.0 / factor as f64;
            for i in 0..=25 {
                let nu = 0.01 * f64::from(i) * out;
                assert!(decimator.gain(nu) > 0.95, "factor {factor}, {nu}");
                assert!(
                    decimator.gain(out - nu).abs() < 2e-4,
                    "factor {factor}, alias of {nu}"
                );
            }
        }
    }

    #[test]
    fn blocks_do_not_change_the_output() {
        let x: Vec<f64> = (0..1000).map(|i| (0.01 * f64::from(i)).sin()).collect();
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

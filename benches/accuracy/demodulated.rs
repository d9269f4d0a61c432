//! A recording's own phase and amplitude, block by block: the plain reference where the mains moves.

use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Length of a block, s; half overlapped.
const BLOCK_S: f64 = 1.0;
/// Hann widens a line by half as much again.
const WIDTH: f64 = 1.5;

/// One order through the record.
pub struct Demodulated {
    blocks: Vec<Complex64>,
    /// Mean square of the noise within a block's value.
    noise: f64,
    step_s: f64,
}

impl Demodulated {
    /// At a frequency near the line's; `None` below five blocks.
    pub fn new(samples: &[f64], rate_hz: f64, hz: f64) -> Option<Self> {
        let length = (BLOCK_S * rate_hz).round() as usize;
        let hop = length / 2;
        let starts: Vec<usize> = (0..)
            .map(|i| i * hop)
            .take_while(|s| s + length <= samples.len())
            .collect();
        if starts.len() < 10 {
            return None;
        }
        let at = |hz: f64| -> Vec<Complex64> {
            let one = |&start: &usize| block(&samples[start..start + length], start, hz / rate_hz);
            starts.iter().map(one).collect()
        };
        // Beside the line, beyond the window's main lobe.
        let beside = [-6.0, -4.0, 4.0, 6.0].map(|bins| {
            let values = at(hz + bins / BLOCK_S);
            values.iter().map(Complex64::norm_sqr).sum::<f64>() / values.len() as f64
        });
        Some(Self {
            blocks: at(hz),
            noise: beside.iter().sum::<f64>() / beside.len() as f64,
            step_s: hop as f64 / rate_hz,
        })
    }

    fn power(&self) -> f64 {
        let sum: f64 = self.blocks.iter().map(Complex64::norm_sqr).sum();
        sum / self.blocks.len() as f64 - self.noise
    }

    /// Root of the mean square through the record and its standard deviation.
    pub fn rms(&self) -> (f64, f64) {
        let rms = (self.power().max(0.0) / 2.0).sqrt();
        let count = self.blocks.len() as f64 / 2.0 / WIDTH;
        (rms, (self.noise / 2.0 / 2.0 / count).sqrt())
    }

    /// Phase gained from the first block to the last, as a frequency above the one asked for, and its standard
    /// deviation; `None` where a block's phase is lost in noise.
    pub fn frequency(&self) -> Option<(f64, f64)> {
        if self.power() < 10.0 * self.noise {
            return None;
        }
        let turns = self
            .blocks
            .windows(2)
            .map(|pair| (pair[1] * pair[0].conj()).arg());
        let length = self.step_s * (self.blocks.len() - 1) as f64;
        let scatter = (self.noise / self.power() / 2.0).sqrt();
        Some((
            turns.sum::<f64>() / TAU / length,
            2f64.sqrt() * scatter / TAU / length,
        ))
    }
}

/// Complex peak amplitude under a Hann window, mean and slope taken off.
fn block(samples: &[f64], start: usize, cycles_a_sample: f64) -> Complex64 {
    let count = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / count;
    let middle = (count - 1.0) / 2.0;
    let (mut with, mut own) = (0.0, 0.0);
    for (n, x) in samples.iter().enumerate() {
        with += (n as f64 - middle) * (x - mean);
        own += (n as f64 - middle).powi(2);
    }
    let slope = with / own;
    let mut sum = Complex64::ZERO;
    for (n, x) in samples.iter().enumerate() {
        let hann = 1.0 - (TAU * (n as f64 + 0.5) / count).cos();
        let rest = x - mean - slope * (n as f64 - middle);
        let turn = (cycles_a_sample * (start + n) as f64).fract();
        sum += hann * rest * Complex64::from_polar(1.0, -2.0 * PI * turn);
    }
    2.0 * sum / count
}

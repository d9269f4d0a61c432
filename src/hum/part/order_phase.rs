//! Phase of an order of a series against time.

use super::levels::{FRAME_CYCLES, quantile};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Deviation of a frame's phase from which it does not tell the turns, rad, and the least that is told from noise.
const MOST_DEVIATION: f64 = 0.35;
const LEAST_DEVIATION: f64 = 1e-3;

/// An order's phase in every frame.
pub(super) struct Row {
    pub(super) order: usize,
    /// Phase, unwrapped, in deviations of its noise.
    pub(super) phase: Vec<f64>,
    pub(super) deviation: f64,
    /// Its amplitude.
    pub(super) amplitude: f64,
}

impl Row {
    /// The phase of an order in every frame, referred to the first sample; `None` where a frame does not tell it.
    pub(super) fn of(samples: &[f64], cycle: f64, order: usize, frames: usize) -> Option<Self> {
        let length = FRAME_CYCLES * cycle;
        let phasor = |frame: usize| {
            let from = (frame as f64 * cycle).round() as usize;
            let to = ((frame as f64 * cycle + length).round() as usize).min(samples.len());
            let step = Complex64::cis(-TAU * order as f64 / cycle);
            let mut turn = Complex64::cis(-TAU * (order as f64 * from as f64 / cycle).fract());
            let window_step = Complex64::cis(TAU / length);
            let mut window = Complex64::cis(0.5 * TAU / length);
            let mut sum = Complex64::default();
            for x in &samples[from..to] {
                sum += x * (0.5 - 0.5 * window.re) * turn;
                turn *= step;
                window *= window_step;
            }
            4.0 * sum / length
        };
        let phasors: Vec<Complex64> = (0..frames).map(phasor).collect();
        let mut phase: Vec<f64> = phasors.iter().map(|c| c.arg()).collect();
        for f in 1..phase.len() {
            phase[f] = phase[f - 1] + wrapped(phase[f] - phase[f - 1]);
        }
        // Frames two apart share no samples; the second difference of white values has six times their variance, the median of a
        // normal one's magnitude is 0.6745 deviations.
        let differences: Vec<f64> = (0..phase.len().saturating_sub(4))
            .map(|f| (phase[f] - 2.0 * phase[f + 2] + phase[f + 4]).abs())
            .collect();
        if differences.is_empty() {
            return None;
        }
        let deviation = quantile(&differences, 0.5) / (0.6745 * 6f64.sqrt());
        let deviation = deviation.max(LEAST_DEVIATION);
        if !(deviation < MOST_DEVIATION) {
            return None;
        }
        let sizes: Vec<f64> = phasors.iter().map(|c| c.norm()).collect();
        phase.iter_mut().for_each(|p| *p /= deviation);
        Some(Self {
            order,
            phase,
            deviation,
            amplitude: quantile(&sizes, 0.5),
        })
    }

    /// Deviations that a radian of the fundamental's phase makes.
    pub(super) fn slope(&self) -> f64 {
        self.order as f64 / self.deviation
    }
}

/// An angle without whole turns, −π to π.
pub(super) fn wrapped(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

//! Figures of a fit to bounds.

use super::fit::IntervalFit;
use crate::analysis::combination::{Combined, CombinedHarmonic};
use crate::stats::{Estimate, LinePower, student_quantile};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

impl IntervalFit {
    /// The series of a record at `rate_hz` whose middle lies `middle` samples behind its first.
    pub(crate) fn combined(&self, rate_hz: f64, middle: f64) -> Combined {
        let (fundamental, of_fundamental) = self.fundamental;
        let harmonics = self
            .harmonics
            .iter()
            .enumerate()
            .map(|(i, line)| {
                let turn = TAU * (i + 1) as f64 * middle;
                let variance = 0.5 * (line.along + line.across);
                let power = line.amplitude.norm_sqr();
                CombinedHarmonic {
                    amplitude: line.amplitude
                        * Complex64::cis(-TAU * ((i + 1) as f64 * fundamental * middle).fract()),
                    variance,
                    power: LinePower::new(0.5 * power, line.along, 2.0, self.degrees_of_freedom),
                    phase_variance: line.across / power.max(f64::MIN_POSITIVE)
                        + turn * turn * of_fundamental,
                    unsteady: false,
                }
            })
            .collect();
        Combined {
            frequency_hz: fundamental * rate_hz,
            frequency_variance: of_fundamental * rate_hz * rate_hz,
            orders_apart: 0.0,
            harmonics,
            segment_frequencies_hz: vec![fundamental * rate_hz],
            followed: true,
            tracked: false,
            walk: 0.0,
        }
    }

    /// RMS of all orders together, amplitudes divided by `gain`.
    pub(crate) fn hum_rms(&self, gain: f64, confidence: f64) -> Estimate {
        let scale = 1.0 / (2f64.sqrt() * gain);
        let (low, high) = (self.hum.low * scale, self.hum.high * scale);
        let quantile = student_quantile(0.5 + 0.5 * confidence, self.degrees_of_freedom);
        Estimate::new(
            self.hum.value * scale,
            (low, high),
            0.5 * (high - low) / quantile,
            self.degrees_of_freedom,
            confidence,
        )
    }

    /// The power of all orders together, its noise that of the interval's half width.
    pub(crate) fn power(&self, gain: f64, confidence: f64) -> LinePower {
        let hum = self.hum_rms(gain, confidence);
        let noise = hum.standard_uncertainty.powi(2);
        LinePower::new(
            hum.value.powi(2) + noise,
            noise,
            2.0,
            self.degrees_of_freedom,
        )
    }
}

//! Synthetic captures with known truth, shared by the statistical tests.
#![allow(dead_code)]

pub mod bounded;
pub mod noise;
pub mod outcome;
pub mod tally;

pub use noise::{Colour, Noise};

use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::{Capture, MeasureOptions, Measurement};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

/// The measurement of samples as a capture of one channel, with this many harmonics.
pub fn measured(samples: &[f64], rate_hz: f64, harmonics: usize) -> Measurement {
    let capture = Capture::from_samples("bench", rate_hz, samples).unwrap();
    let options = MeasureOptions::default().harmonics(harmonics);
    measure(&mut MemorySource::new(&capture), &options)
        .unwrap()
        .remove(0)
}

/// A capture's true values.
#[derive(Debug, Clone)]
pub struct Scenario {
    pub rate_hz: f64,
    pub samples: usize,
    pub fundamental_hz: f64,
    pub offset: f64,
    /// Peak amplitude and phase (rad) of orders 1, 2, ..
    pub harmonics: Vec<(f64, f64)>,
    /// RMS of the white noise that drives the colour.
    pub noise: f64,
    pub colour: Colour,
    /// Wander of the grid: RMS change of frequency over 10 s, Hz.
    pub wander_hz: f64,
    /// Amplitude modulation of the hum: depth, at 0.3 Hz.
    pub modulation: f64,
    /// The converter's step; 0: none.
    pub step: f64,
    /// Limit of the range; infinite: none.
    pub limit: f64,
    /// Tones beside the hum: frequency, peak amplitude.
    pub tones: Vec<(f64, f64)>,
}

/// What a wandering record really held.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    pub mean_frequency_hz: f64,
    /// Mean square of the modulation.
    pub modulation_power: f64,
}

impl Scenario {
    /// Hum of 20 mV with odd harmonics on 0.12 V, 2 mV of noise, 10 kS/s.
    pub fn new(fundamental_hz: f64, cycles: f64, colour: Colour) -> Self {
        let rate_hz = 10_000.0;
        Self {
            rate_hz,
            samples: (rate_hz * cycles / fundamental_hz).round() as usize,
            fundamental_hz,
            offset: 0.12,
            harmonics: vec![
                (0.02, 0.4),
                (0.002, 1.0),
                (0.006, -0.7),
                (0.0, 0.0),
                (0.003, 2.0),
            ],
            noise: 2e-3,
            colour,
            wander_hz: 0.0,
            modulation: 0.0,
            step: 0.0,
            limit: f64::INFINITY,
            tones: Vec::new(),
        }
    }

    pub fn harmonic_rms(&self, order: usize) -> f64 {
        self.harmonics
            .get(order - 1)
            .map_or(0.0, |h| h.0 / 2f64.sqrt())
    }

    pub fn hum_rms(&self) -> f64 {
        self.harmonics
            .iter()
            .map(|h| h.0 * h.0 / 2.0)
            .sum::<f64>()
            .sqrt()
    }

    /// The noise alone.
    pub fn noise(&self) -> Noise {
        Noise {
            rate_hz: self.rate_hz,
            drive: self.noise,
            colour: self.colour,
        }
    }

    /// One-sided noise density, V²/Hz.
    pub fn density(&self, frequency_hz: f64) -> f64 {
        self.noise().density(frequency_hz)
    }

    /// True noise RMS in a band.
    pub fn noise_rms_between(&self, low_hz: f64, high_hz: f64) -> f64 {
        self.noise().power_between(low_hz, high_hz).sqrt()
    }

    /// Cramér-Rao bounds at the local density: fundamental (Hz) and RMS of an order.
    /// Source: Rife & Boorstyn 1974; Kay 1993, ex. 3.14, in density form.
    pub fn frequency_bound(&self) -> f64 {
        let duration = self.samples as f64 / self.rate_hz;
        let information: f64 = self
            .harmonics
            .iter()
            .enumerate()
            .map(|(i, h)| {
                let k = (i + 1) as f64;
                k * k * h.0 * h.0 / self.density(k * self.fundamental_hz)
            })
            .sum();
        (3.0 / (std::f64::consts::PI.powi(2) * information * duration.powi(3))).sqrt()
    }

    pub fn rms_bound(&self, order: usize) -> f64 {
        let duration = self.samples as f64 / self.rate_hz;
        (self.density(order as f64 * self.fundamental_hz) / (2.0 * duration)).sqrt()
    }

    /// Bound of the offset for noise that is flat at 0 Hz.
    pub fn offset_bound(&self) -> f64 {
        let duration = self.samples as f64 / self.rate_hz;
        (self.density(1e-3) / (2.0 * duration)).sqrt()
    }

    pub fn samples(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        self.record(rng).0
    }

    /// A record and what it held.
    pub fn record(&self, rng: &mut ChaCha8Rng) -> (Vec<f64>, Truth) {
        let mut noise = self.noise().samples(self.samples, rng);
        // The frequency walks at random and is drawn back to its mean over a minute.
        let walk = self.wander_hz / (10.0 * self.rate_hz).sqrt();
        let back = (-1.0 / (60.0 * self.rate_hz)).exp();
        let (mut deviation, mut phase) = (0.0, 0.0);
        let (mut modulation_power, duration) = (0.0, self.samples as f64 / self.rate_hz);
        for (n, x) in noise.iter_mut().enumerate() {
            let time = n as f64 / self.rate_hz;
            let turn = TAU * (self.fundamental_hz * time + phase);
            let envelope = 1.0 + self.modulation * (TAU * 0.3 * time + 0.5).sin();
            modulation_power += envelope * envelope;
            let base = rustfft::num_complex::Complex64::cis(turn);
            let mut power = rustfft::num_complex::Complex64::new(1.0, 0.0);
            let mut hum = 0.0;
            for (amplitude, phase) in &self.harmonics {
                power *= base;
                if *amplitude != 0.0 {
                    hum += (power
                        * rustfft::num_complex::Complex64::from_polar(*amplitude, *phase))
                    .re;
                }
            }
            let tones: f64 = self
                .tones
                .iter()
                .map(|(f, a)| a * (TAU * f * time + 0.3).cos())
                .sum();
            let mut value = self.offset + envelope * hum + tones + *x;
            if self.step > 0.0 {
                value = (value / self.step).round() * self.step;
            }
            *x = value.clamp(-self.limit, self.limit);
            if walk > 0.0 {
                deviation = back * deviation + walk * normal(rng);
                phase += deviation / self.rate_hz;
            }
        }
        let truth = Truth {
            mean_frequency_hz: self.fundamental_hz + phase / duration,
            modulation_power: modulation_power / self.samples as f64,
        };
        (noise, truth)
    }
}

/// A standard normal.
pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

//! Noise of known density.

use super::normal;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// Colour of the noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Colour {
    /// Equal density everywhere.
    White,
    /// First-order recursive low-pass of white noise.
    OnePole { corner_hz: f64 },
    /// White with a 1/f rise below a corner.
    Pink { corner_hz: f64 },
    /// First difference of white noise: the density rises as the frequency squared.
    Blue,
}

/// Noise at a rate.
#[derive(Debug, Clone, Copy)]
pub struct Noise {
    pub rate_hz: f64,
    /// RMS of the white noise that drives the colour.
    pub drive: f64,
    pub colour: Colour,
}

impl Noise {
    /// One-sided density, V²/Hz.
    pub fn density(&self, frequency_hz: f64) -> f64 {
        let white = 2.0 * self.drive * self.drive / self.rate_hz;
        let w = TAU * frequency_hz / self.rate_hz;
        match self.colour {
            Colour::White => white,
            Colour::OnePole { corner_hz } => {
                let a = self.pole(corner_hz);
                white * (1.0 - a) * (1.0 - a) / (1.0 - 2.0 * a * w.cos() + a * a)
            }
            Colour::Pink { corner_hz } => {
                let rise: f64 = poles(corner_hz / self.rate_hz, self.drive)
                    .map(|(a, deviation)| {
                        let drive = 2.0 * deviation * deviation * (1.0 - a * a) / self.rate_hz;
                        drive / (1.0 - 2.0 * a * w.cos() + a * a)
                    })
                    .sum();
                white + rise
            }
            Colour::Blue => white * (2.0 - 2.0 * w.cos()),
        }
    }

    /// With the noise of a converter's step where it spreads evenly: from noise of half a step on, which leaves
    /// rounding errors nearly even and unrelated (Widrow & Kollár 2008, from memory). Below, rounding is no noise.
    #[must_use]
    pub fn rounded(self, step: Option<f64>) -> Self {
        match step {
            Some(step) if self.drive >= 0.5 * step => Self {
                drive: self.drive.hypot(step / 12f64.sqrt()),
                ..self
            },
            _ => self,
        }
    }

    fn pole(&self, corner_hz: f64) -> f64 {
        (-TAU * corner_hz / self.rate_hz).exp()
    }

    /// Integral over a band of a function of the frequency, by the midpoint rule; in steps of the logarithm where
    /// the density rises as 1/f.
    fn integral(&self, low_hz: f64, high_hz: f64, value: impl Fn(f64) -> f64) -> f64 {
        if matches!(self.colour, Colour::Pink { .. }) && low_hz > 0.0 {
            let steps = 2000;
            let width = (high_hz / low_hz).ln() / f64::from(steps);
            return (0..steps)
                .map(|i| {
                    let f = low_hz * ((f64::from(i) + 0.5) * width).exp();
                    value(f) * f * width
                })
                .sum();
        }
        let steps = 20_000;
        let width = (high_hz - low_hz) / f64::from(steps);
        (0..steps)
            .map(|i| value(low_hz + (f64::from(i) + 0.5) * width) * width)
            .sum()
    }

    /// Noise power in a band.
    pub fn power_between(&self, low_hz: f64, high_hz: f64) -> f64 {
        self.integral(low_hz, high_hz, |f| self.density(f))
    }

    /// Integral of the squared density over a band, of which the scatter of a band's power follows.
    pub fn squared_density_between(&self, low_hz: f64, high_hz: f64) -> f64 {
        self.integral(low_hz, high_hz, |f| self.density(f).powi(2))
    }

    /// So many samples, in the noise's stationary state.
    pub fn samples(&self, count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let mut noise: Vec<f64> = (0..count).map(|_| self.drive * normal(rng)).collect();
        match self.colour {
            Colour::White => {}
            Colour::OnePole { corner_hz } => {
                let a = self.pole(corner_hz);
                let mut state = self.drive * (1.0 - a) / (1.0 - a * a).sqrt() * normal(rng);
                for x in &mut noise {
                    state = a * state + (1.0 - a) * *x;
                    *x = state;
                }
            }
            Colour::Pink { corner_hz } => {
                pink(&mut noise, corner_hz / self.rate_hz, self.drive, rng);
            }
            Colour::Blue => {
                let mut before = self.drive * normal(rng);
                for x in &mut noise {
                    let now = *x;
                    *x = now - before;
                    before = now;
                }
            }
        }
        noise
    }
}

/// First-order processes, four a decade from one thousandth of a corner (cycles per sample) up, whose sum has a
/// 1/f density below it: coefficient and RMS of each. Above the last of them, and below the first, the sum
/// departs from 1/f: `Noise::density` adds up the same processes.
fn poles(corner: f64, rms: f64) -> impl Iterator<Item = (f64, f64)> {
    let per_decade = 4.0;
    let white = 2.0 * rms * rms;
    (0..(6.0 * per_decade) as i32)
        .map(move |i| corner * 1e-3 * 10f64.powf(f64::from(i) / per_decade))
        .take_while(|&pole| pole <= 0.2)
        .map(move |pole| {
            // A Lorentzian of plateau P and corner p: sum over log-spaced p of P_p = w·corner/p·(2.303/4)·2/π gives w·corner/f.
            let plateau = white * corner / pole
                * (std::f64::consts::LN_10 / per_decade)
                * (2.0 / std::f64::consts::PI);
            (
                (-TAU * pole).exp(),
                (plateau * std::f64::consts::PI * pole / 2.0).sqrt(),
            )
        })
}

fn pink(noise: &mut [f64], corner: f64, rms: f64, rng: &mut ChaCha8Rng) {
    for (a, deviation) in poles(corner, rms) {
        let mut state = deviation * normal(rng);
        let drive = deviation * (1.0 - a * a).sqrt();
        for x in noise.iter_mut() {
            state = a * state + drive * normal(rng);
            *x += state;
        }
    }
}

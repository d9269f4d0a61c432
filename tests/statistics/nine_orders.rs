//! Hum of nine orders that moves.

use crate::synthesis::normal;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

pub const RATE_HZ: f64 = 2000.0;
pub const ORDERS: usize = 9;

/// Hum of nine orders of amplitude 1/k in white noise: the factor and the turns at each time.
pub struct NineOrders {
    pub samples: usize,
    pub noise: f64,
    phases: Vec<f64>,
}

impl NineOrders {
    pub fn draw(rng: &mut ChaCha8Rng, duration_s: f64) -> Self {
        Self {
            samples: (duration_s * RATE_HZ) as usize,
            noise: 10f64.powf(rng.random_range(-2.5..-1.0)),
            phases: (0..ORDERS).map(|_| TAU * rng.random::<f64>()).collect(),
        }
    }

    pub fn samples(&self, rng: &mut ChaCha8Rng, at: impl Fn(f64) -> (f64, f64)) -> Vec<f64> {
        (0..self.samples)
            .map(|n| {
                let (factor, turns) = at(n as f64 / RATE_HZ);
                let orders = self.phases.iter().enumerate();
                let hum: f64 = orders
                    .map(|(i, phase)| {
                        let k = (i + 1) as f64;
                        (TAU * k * turns + phase).cos() / k
                    })
                    .sum();
                factor * hum + self.noise * normal(rng)
            })
            .collect()
    }

    /// Of orders whose factor has that mean square.
    pub fn hum_rms(mean_square: f64) -> f64 {
        let power = |k: usize| 0.5 / (k * k) as f64;
        ((1..=ORDERS).map(power).sum::<f64>() * mean_square).sqrt()
    }
}

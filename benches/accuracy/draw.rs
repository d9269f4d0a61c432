//! Random draws for the recipes.

use crate::synthesis::normal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub struct Draw(pub ChaCha8Rng);

impl Draw {
    /// Of one trial of one class: the same whatever else is run.
    pub fn seeded(seed: u64, class: &str, trial: usize) -> Self {
        // FNV-1a, 64 bits.
        let name = class.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ name);
        rng.set_stream(trial as u64);
        Self(rng)
    }

    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// Even in the logarithm.
    pub fn spread(&mut self, low: f64, high: f64) -> f64 {
        self.uniform(low.ln(), high.ln()).exp()
    }

    pub fn normal(&mut self) -> f64 {
        normal(&mut self.0)
    }

    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.random::<f64>() < probability
    }

    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    pub fn phase(&mut self) -> f64 {
        self.uniform(-std::f64::consts::PI, std::f64::consts::PI)
    }

    /// A whole number, both ends included.
    pub fn whole(&mut self, low: usize, high: usize) -> usize {
        (low + (self.0.random::<f64>() * (high - low + 1) as f64) as usize).min(high)
    }

    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.whole(0, all.len() - 1)]
    }
}

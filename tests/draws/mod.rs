//! Seeded random draws for the statistical tests.
#![allow(dead_code)]

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub struct Draws(ChaCha8Rng);

impl Draws {
    pub fn seeded(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Sum of squares of `components` unit normals, one of them shifted by `amplitude`.
    pub fn line_power(&mut self, amplitude: f64, components: i32) -> f64 {
        (0..components)
            .map(|i| (self.normal() + if i == 0 { amplitude } else { 0.0 }).powi(2))
            .sum()
    }

    /// Chi-square over its (whole) degrees of freedom; 1 where they are infinite.
    pub fn chi_square_ratio(&mut self, dof: f64) -> f64 {
        if dof.is_infinite() {
            return 1.0;
        }
        let sum: f64 = (0..dof as usize).map(|_| self.normal().powi(2)).sum();
        sum / dof
    }
}

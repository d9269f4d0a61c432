//! Seeded random draws for the statistical tests.
#![allow(dead_code)]

#[path = "simulated.rs"]
mod simulated;

use humsieve::Estimate;
use humsieve::Measurement;
use humsieve::analysis::LinePower;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use simulated::Simulated;
use statrs::function::erf::erfc_inv;
use std::f64::consts::SQRT_2;

#[derive(Clone)]
pub struct Draws(ChaCha8Rng);

impl Draws {
    pub fn seeded(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
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

/// The true state of a condition, from which captures are drawn.
#[derive(Debug, Clone)]
pub struct Truth {
    pub offset: f64,
    /// RMS of each harmonic.
    pub harmonics: Vec<f64>,
    /// RMS of the in-band noise.
    pub noise: f64,
    /// Standard deviation of the logarithm of every amplitude from one capture to the next.
    pub spread: f64,
}

impl Truth {
    pub fn new(offset: f64, harmonics: &[f64], noise: f64) -> Self {
        Self {
            offset,
            harmonics: harmonics.to_vec(),
            noise,
            spread: 0.0,
        }
    }

    /// The same with every harmonic and the offset divided by `factor`.
    pub fn reduced(&self, factor: f64) -> Self {
        Self {
            offset: self.offset / factor,
            harmonics: self.harmonics.iter().map(|a| a / factor).collect(),
            ..self.clone()
        }
    }

    pub fn hum(&self) -> f64 {
        self.harmonics.iter().map(|a| a * a).sum::<f64>().sqrt()
    }

    /// Figures of one capture of 1 s: independent noise of 1000 degrees of freedom, of which each
    /// quadrature of a harmonic holds a 2000th in power and is known with 24 degrees of freedom.
    pub fn capture(&self, draws: &mut Draws) -> Measurement {
        const NOISE_DOF: f64 = 1000.0;
        const LOCAL_DOF: f64 = 24.0;
        let noise = self.noise * draws.chi_square_ratio(NOISE_DOF).sqrt();
        let scatter = self.noise / (2.0 * NOISE_DOF).sqrt();
        let factor = (self.spread * draws.normal()).exp();
        let offset = self.offset * (self.spread * draws.normal()).exp() + scatter * draws.normal();
        let offset_u = scatter * draws.chi_square_ratio(LOCAL_DOF).sqrt();
        let harmonics: Vec<LinePower> = self
            .harmonics
            .iter()
            .map(|a| {
                let observed = (a * factor + scatter * draws.normal()).powi(2)
                    + (scatter * draws.normal()).powi(2);
                let noise = 2.0 * scatter * scatter * draws.chi_square_ratio(LOCAL_DOF);
                LinePower::new(observed, noise, 2.0, LOCAL_DOF)
            })
            .collect();
        let hum: f64 = harmonics.iter().map(|line| line.observed_v2).sum();
        let mut extreme =
            || -SQRT_2 * erfc_inv(2.0 * draws.uniform().powf(1.0 / NOISE_DOF)) * self.noise;
        let peak_to_peak = 2.0 * 2.0_f64.sqrt() * hum.sqrt() + extreme() + extreme();
        Simulated {
            dc_offset: Estimate::student(offset, offset_u, LOCAL_DOF, 0.95),
            harmonics,
            noise_rms: noise,
            noise_dof: NOISE_DOF,
            ac_rms: (hum + noise * noise).sqrt(),
            peak_to_peak,
        }
        .measurement()
    }

    pub fn captures(&self, count: usize, draws: &mut Draws) -> Vec<Measurement> {
        (0..count).map(|_| self.capture(draws)).collect()
    }
}

//! Records of a target and several references, of which everything is known.
#![allow(dead_code)]

use crate::cases::gauss;
use rand::{RngExt as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

#[derive(Clone, Copy, PartialEq)]
pub enum Beside {
    Nothing,
    ToneOnOrder,
    Tone,
    Pulses,
}

#[derive(Clone)]
pub struct ReferencesRecipe {
    pub name: &'static str,
    pub rate_hz: f64,
    pub samples: usize,
    pub wanted: Beside,
    /// What each reference senses of each source, a row a reference.
    pub mixture: Vec<Vec<f64>>,
    /// Gain and delay, samples, from what each reference senses to the target.
    pub gains: Vec<f64>,
    pub delays: Vec<f64>,
    /// RMS of each source's broadband part; its hum has about 0.9.
    pub broadband: f64,
    /// Amplitude of each source's hum.
    pub hum: f64,
    pub target_noise: f64,
    pub reference_noise: f64,
}

pub struct ReferencesCase {
    pub target: Vec<f64>,
    pub references: Vec<Vec<f64>>,
    pub interference: Vec<f64>,
    pub wanted: Vec<f64>,
}

pub fn references_recipes() -> Vec<ReferencesRecipe> {
    let two = ReferencesRecipe {
        name: "two sources in two references",
        rate_hz: 10_000.0,
        samples: 20_000,
        wanted: Beside::Tone,
        mixture: vec![vec![1.0, 0.3], vec![0.2, 1.0]],
        gains: vec![0.8, -0.5],
        delays: vec![3.4, -7.25],
        broadband: 0.14,
        hum: 1.0,
        target_noise: 0.003,
        reference_noise: 0.01,
    };
    vec![
        two.clone(),
        ReferencesRecipe {
            name: "two sources of hum alone",
            broadband: 0.0,
            ..two.clone()
        },
        ReferencesRecipe {
            name: "tone on an order",
            wanted: Beside::ToneOnOrder,
            ..two.clone()
        },
        ReferencesRecipe {
            name: "no hum",
            hum: 0.0,
            ..two.clone()
        },
        ReferencesRecipe {
            name: "references that are nearly the same",
            mixture: vec![vec![1.0, 0.01], vec![1.0, -0.01]],
            gains: vec![0.5, 0.3],
            delays: vec![3.4, 3.4],
            ..two.clone()
        },
        ReferencesRecipe {
            name: "a stranger beside a reference",
            gains: vec![0.8, 0.0],
            mixture: vec![vec![1.0, 0.0], vec![0.0, 1.0]],
            ..two.clone()
        },
        ReferencesRecipe {
            name: "three sources in three references, pulses",
            wanted: Beside::Pulses,
            mixture: vec![
                vec![1.0, 0.3, 0.1],
                vec![0.2, 1.0, -0.4],
                vec![-0.5, 0.1, 1.0],
            ],
            gains: vec![0.8, -0.5, 0.3],
            delays: vec![3.4, -7.25, 20.6],
            ..two.clone()
        },
    ]
}

/// Cycles a sample, and amplitude.
type Lines = Vec<(f64, Complex64)>;

fn summed(lines: &Lines, samples: usize, delay: f64) -> Vec<f64> {
    let mut sum = vec![0.0; samples];
    for (nu, amplitude) in lines {
        let turn = Complex64::from_polar(1.0, 2.0 * PI * nu);
        let mut phasor = amplitude * Complex64::from_polar(1.0, -2.0 * PI * nu * delay);
        for v in &mut sum {
            *v += phasor.re;
            phasor *= turn;
        }
    }
    sum
}

fn add(sum: &mut [f64], gain: f64, x: &[f64]) {
    sum.iter_mut().zip(x).for_each(|(s, v)| *s += gain * v);
}

pub fn make_references(recipe: &ReferencesRecipe, seed: u64) -> ReferencesCase {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (rate, n) = (recipe.rate_hz, recipe.samples);
    let fundamental = (50.0 + rng.random_range(-0.04..0.04)) / rate;
    let count = recipe.mixture[0].len();
    let sources: Vec<Lines> = (0..count)
        .map(|_| {
            let mut lines = Lines::new();
            for k in (1..=20).map(f64::from) {
                let size = recipe.hum * rng.random_range(0.3..1.5) / k;
                let phase = rng.random_range(0.0..2.0 * PI);
                lines.push((k * fundamental, Complex64::from_polar(size, phase)));
            }
            for _ in 0..100 {
                let size = recipe.broadband * (2.0f64 / 100.0).sqrt();
                let nu = rng.random_range(0.002..0.45);
                let phase = rng.random_range(0.0..2.0 * PI);
                lines.push((nu, Complex64::from_polar(size, phase)));
            }
            lines
        })
        .collect();
    let mut interference = vec![0.0; n];
    let mut references = Vec::new();
    for (row, (gain, delay)) in recipe
        .mixture
        .iter()
        .zip(recipe.gains.iter().zip(&recipe.delays))
    {
        let mut sensed = vec![0.0; n];
        for (share, source) in row.iter().zip(&sources) {
            add(&mut sensed, *share, &summed(source, n, 0.0));
            add(&mut interference, gain * share, &summed(source, n, *delay));
        }
        for v in &mut sensed {
            *v += recipe.reference_noise * gauss(&mut rng);
        }
        references.push(sensed);
    }
    let seconds = n as f64 / rate;
    let wanted: Vec<f64> = (0..n)
        .map(|i| match recipe.wanted {
            Beside::Nothing => 0.0,
            Beside::ToneOnOrder => 0.5 * (2.0 * PI * 7.0 * fundamental * i as f64 + 0.3).cos(),
            Beside::Tone => 0.5 * (2.0 * PI * 0.0437 * i as f64).cos(),
            Beside::Pulses => (0..8)
                .map(|j| {
                    let centre = (0.07 + 0.117 * f64::from(j)) * seconds;
                    3.0 * (-0.5 * ((i as f64 / rate - centre) / (1e-4 * seconds)).powi(2)).exp()
                })
                .sum(),
        })
        .collect();
    let target = (0..n)
        .map(|i| wanted[i] + interference[i] + recipe.target_noise * gauss(&mut rng))
        .collect();
    ReferencesCase {
        target,
        references,
        interference,
        wanted,
    }
}

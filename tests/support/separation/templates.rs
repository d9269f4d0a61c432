//! Records with an interference-only capture of the same set-up, taken at another time.
#![allow(dead_code)]

use crate::cases::{Case, Recipe, gauss, make};
use rand::{RngExt as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::PI;

pub struct TemplateCase {
    pub case: Case,
    pub template: Vec<f64>,
}

/// How record and template differ, and what is wanted on top.
#[derive(Clone, Copy)]
pub struct TemplateRecipe {
    /// Seconds of the template.
    pub seconds: f64,
    /// Gain of the template over the record's hum.
    pub gain: f64,
    /// Gain of every other order over that, as where a load changed in part.
    pub uneven: f64,
    /// Amplitude of a wanted tone on the seventh order.
    pub on_order: f64,
}

pub const ALIKE: TemplateRecipe = TemplateRecipe {
    seconds: 4.0,
    gain: 1.0,
    uneven: 1.0,
    on_order: 0.0,
};

pub fn make_with_template(recipe: &Recipe, pair: &TemplateRecipe, seed: u64) -> TemplateCase {
    let mut case = make(recipe, seed);
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let hz = recipe.nominal_hz + rng.random_range(-0.04..0.04);
    let start: f64 = rng.random();
    let count = (pair.seconds * recipe.rate_hz) as usize;
    let template = (0..count)
        .map(|i| {
            let cycles = start + hz * i as f64 / recipe.rate_hz;
            let hum: f64 = case
                .lines
                .iter()
                .enumerate()
                .map(|(i, &(k, a, theta))| {
                    let uneven = if i % 2 == 0 { 1.0 } else { pair.uneven };
                    uneven * a * (2.0 * PI * k as f64 * cycles + theta).cos()
                })
                .sum();
            0.1 + pair.gain * hum + recipe.noise_rms * gauss(&mut rng)
        })
        .collect();
    if pair.on_order > 0.0 {
        for (w, cycles) in case.wanted.iter_mut().zip(&case.phase) {
            *w += pair.on_order * (2.0 * PI * 7.0 * cycles + 0.3).cos();
        }
    }
    TemplateCase { case, template }
}

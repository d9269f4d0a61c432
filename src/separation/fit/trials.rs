//! Made records for the tests of the fit: hum of known frequency on white noise.

use super::course::Course;
use super::fitted::Fit;
use super::settings::FitSettings;
use super::tracked::fit;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

pub(crate) const RATE_HZ: f64 = 2000.0;

/// Orders 1, 3 and 5 at a phase (cycles), of RMS 1, 0.3 and 0.1 or so.
pub(crate) fn hum(cycles: f64) -> f64 {
    let order = |k: f64, a: f64| a * (TAU * k * cycles + 0.3 * k).cos();
    order(1.0, 1.4) + order(3.0, 0.42) + order(5.0, 0.14)
}

/// So many seconds of a signal and noise of this deviation.
pub(crate) fn made(seconds: f64, seed: u64, noise: f64, signal: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..(seconds * RATE_HZ) as usize)
        .map(|n| {
            let drawn: f64 = StandardNormal.sample(&mut rng);
            signal(n as f64 / RATE_HZ) + noise * drawn
        })
        .collect()
}

/// The fit of orders up to 10 where the record's measurement leads it; as if nothing were found where it leads nowhere.
pub(crate) fn fitted(x: &[f64]) -> Fit {
    let settings = FitSettings {
        rate_hz: RATE_HZ,
        highest_order: 10,
        protect_hz: Vec::new(),
    };
    Course::measured(x, RATE_HZ, &Default::default())
        .map(|course| fit(x, None, &course, &settings))
        .unwrap_or_default()
}

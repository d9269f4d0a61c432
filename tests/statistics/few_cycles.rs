//! Records of one to six cycles, as a screen of an oscilloscope holds: mains, or something else that passes in as short a time.

use crate::synthesis::{measured, normal};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

const TRIALS: u64 = 300;
const RATE_HZ: f64 = 8000.0;

fn noise(rng: &mut ChaCha8Rng) -> f64 {
    10f64.powf(rng.random_range(-2.5..-0.5))
}

/// A step that settles, noise below 30 to 120 Hz, or a motor that runs up to 20 to 70 Hz.
fn without_mains(rng: &mut ChaCha8Rng, kind: u64, samples: usize) -> Vec<f64> {
    let duration_s = samples as f64 / RATE_HZ;
    let (at_s, settling_s) = (
        duration_s * rng.random_range(0.1..0.7),
        10f64.powf(rng.random_range(-3.0..-1.0)),
    );
    let corner_hz = rng.random_range(30.0..120.0);
    let end_hz = rng.random_range(20.0..70.0);
    let (mut low, mut turns) = (0.0, 0.0);
    (0..samples)
        .map(|n| {
            let past_s = n as f64 / RATE_HZ - at_s;
            match kind {
                0 if past_s < 0.0 => 0.0,
                0 => 1.0 - (-past_s / settling_s).exp(),
                1 => {
                    low += TAU * corner_hz / RATE_HZ * (10.0 * normal(rng) - low);
                    low
                }
                _ => {
                    let hz = end_hz * (1.0 - (-past_s.max(0.0) / (0.2 * duration_s)).exp());
                    turns += hz / RATE_HZ;
                    (TAU * turns).sin() + 0.4 * (2.0 * TAU * turns + 1.0).sin()
                }
            }
        })
        .collect()
}

/// 300 records without mains. Of those of more than 2.2 cycles (four in five) a false alarm of 1 % makes more than 7 once in 400;
/// in fewer cycles a step or a run-up may be what a hum is, and 8 of some 60 passed: a limit, stated. As many of five odd
/// orders in white noise of the same heights: all but 2 % have to be found.
#[test]
fn what_passes_in_a_few_cycles_is_no_mains() {
    let (mut falsely, mut in_fewest, mut found) = (0, 0, 0);
    for seed in 0..TRIALS {
        let mut rng = ChaCha8Rng::seed_from_u64(15_000 + seed);
        let nominal = [50.0, 60.0][seed as usize % 2];
        let cycles = rng.random_range(1.3..5.8);
        let samples = (RATE_HZ * cycles / nominal) as usize;
        let (beside, hz) = (
            noise(&mut rng),
            nominal * (1.0 + rng.random_range(-0.002..0.002)),
        );
        let mut other = without_mains(&mut rng, seed % 3, samples);
        other
            .iter_mut()
            .for_each(|x| *x += beside * normal(&mut rng));
        let detected = usize::from(measured(&other, RATE_HZ, 40).mains.detected);
        if cycles > 2.2 {
            falsely += detected;
        } else {
            in_fewest += detected;
        }
        let phases: [f64; 5] = std::array::from_fn(|_| TAU * rng.random::<f64>());
        let hum: Vec<f64> = (0..samples)
            .map(|n| {
                let turns = hz * n as f64 / RATE_HZ;
                let orders = phases.iter().zip([1.0, 3.0, 5.0, 7.0, 9.0]);
                let sum: f64 = orders.map(|(p, k)| (TAU * k * turns + p).cos() / k).sum();
                sum + beside * normal(&mut rng)
            })
            .collect();
        found += usize::from(measured(&hum, RATE_HZ, 40).mains.detected);
    }
    println!("falsely {falsely}, in fewest cycles {in_fewest}, found {found}");
    assert!(falsely <= 7, "{falsely}");
    assert!(in_fewest <= 15, "{in_fewest}");
    assert!(found >= 294, "{found}");
}

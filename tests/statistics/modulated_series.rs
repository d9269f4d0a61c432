//! Hum that is modulated faster than a second tells, and a generator whose frequency swings within the record.

use crate::nine_orders::{NineOrders, RATE_HZ};
use crate::synthesis::measured;
use crate::synthesis::tally::Tally;
use humsieve::WarningCode;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use std::f64::consts::TAU;

const TRIALS: u64 = 150;

fn joined(tallies: impl Iterator<Item = Tally>) -> Tally {
    tallies.reduce(|a, b| a.join(&b)).unwrap()
}

/// Four seconds modulated by 10 to 40 % at 6 to 12 Hz, as a fan does. 150 records: of a 95 % interval fewer than 88 % hold once in
/// 5000 figures.
#[test]
fn sidebands_are_hum() {
    let trials: Vec<(Tally, bool)> = (0..TRIALS)
        .into_par_iter()
        .map(|seed| {
            let mut rng = ChaCha8Rng::seed_from_u64(11_000 + seed);
            let record = NineOrders::draw(&mut rng, 4.0);
            let hz = rng.random_range(49.9..50.1);
            let (depth, beat_hz) = (rng.random_range(0.1..0.4), rng.random_range(6.0..12.0));
            let start = TAU * rng.random::<f64>();
            let factor = |t: f64| 1.0 + depth * (TAU * beat_hz * t + start).cos();
            let samples = record.samples(&mut rng, |t| (factor(t), hz * t));
            let squares = (0..record.samples).map(|n| factor(n as f64 / RATE_HZ).powi(2));
            let mean_square = squares.sum::<f64>() / record.samples as f64;
            let m = measured(&samples, RATE_HZ, 20);
            let mut tally = Tally::default();
            tally.add(m.mains.hum_rms, NineOrders::hum_rms(mean_square));
            let mut warnings = m.quality.warnings.iter();
            (tally, warnings.any(|w| w.code == WarningCode::ModulatedHum))
        })
        .collect();
    let hum = joined(trials.iter().map(|(tally, _)| *tally)).coverage();
    let told = trials.iter().filter(|(_, told)| *told).count();
    println!("hum {hum:.3}, told {told}");
    assert!(hum >= 0.88, "{hum}");
    assert!(told >= 147, "{told}");
}

/// Two seconds of a generator that swings by 0.1 to 0.8 Hz, 0.1 to 0.6 times a second. Not all intervals are as wide as they should
/// be (85 % of 140 frequencies hold, 81 % of the hum): fewer than 75 % hold once in 500 runs of other seeds.
#[test]
fn the_mean_frequency_of_a_swinging_generator_is_the_phase_gained() {
    let tallies: Vec<[Tally; 2]> = (0..TRIALS)
        .into_par_iter()
        .map(|seed| {
            let mut rng = ChaCha8Rng::seed_from_u64(12_000 + seed);
            let record = NineOrders::draw(&mut rng, 2.0);
            let hz = rng.random_range(49.9..50.1);
            let (reach_hz, swing_hz) = (rng.random_range(0.1..0.8), rng.random_range(0.1..0.6));
            let start = TAU * rng.random::<f64>();
            // The integral of reach·sin(2π·swing·t + start).
            let gained = |t: f64| {
                let angle = TAU * swing_hz * t + start;
                reach_hz / (TAU * swing_hz) * (start.cos() - angle.cos())
            };
            let samples = record.samples(&mut rng, |t| (1.0, hz * t + gained(t)));
            let m = measured(&samples, RATE_HZ, 20);
            let mut tallies = [Tally::default(); 2];
            tallies[0].add(m.mains.frequency_hz, hz + gained(2.0) / 2.0);
            tallies[1].add(m.mains.hum_rms, NineOrders::hum_rms(1.0));
            tallies
        })
        .collect();
    let of = |i: usize| joined(tallies.iter().map(|own| own[i]));
    let (frequency, hum) = (of(0), of(1));
    println!(
        "frequency {:.3} of {}, scatter {:.4} Hz, hum {:.3}",
        frequency.coverage(),
        frequency.trials,
        frequency.rmse(),
        hum.coverage()
    );
    assert!(frequency.trials >= 130.0);
    assert!(frequency.coverage() >= 0.75 && hum.coverage() >= 0.75);
    // The phase gained, not a straight line's slope through it: that misses by a tenth of the swing.
    assert!(frequency.rmse() < 0.2);
}

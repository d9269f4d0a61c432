//! A law: no part of a record is larger than the record. Fits that stand against each other break it.

use crate::synthesis::{measured, normal};
use humsieve::analysis::Measurement;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

const TRIALS: u64 = 60;
/// Room for parts of a cycle, whose RMS over the record is less than over whole ones.
const ROOM: f64 = 1.5;

/// Offset within the samples' span; hum, orders and tones with no more than their RMS.
fn is_held(m: &Measurement) -> bool {
    let (low, high) = (m.waveform.min, m.waveform.max);
    let most = ROOM * m.waveform.ac_rms;
    let offset = m.dc_offset.value;
    let hum = m.mains.hum_rms.iter().map(|hum| hum.low);
    let orders = m.mains.harmonics.iter().map(|own| own.rms.low);
    let tones = m.tones.iter().map(|tone| tone.rms.low);
    (low..=high).contains(&offset) && hum.chain(orders).chain(tones).all(|rms| rms <= most)
}

/// One to six cycles of hum on a saw-tooth that has not come round: a tone of less than a cycle stood against the offset, and one of
/// 5 kV was told in a record of 1 V.
#[test]
fn few_cycles_on_a_slow_saw_tooth_hold_what_they_hold() {
    for seed in 0..TRIALS {
        let mut rng = ChaCha8Rng::seed_from_u64(21_000 + seed);
        let rate_hz = 8000.0;
        let samples = (rate_hz * rng.random_range(0.03..0.12)) as usize;
        let (repeats, phase) = (rng.random_range(2.0..28.0), rng.random::<f64>());
        let (height, noise) = (
            rng.random_range(1.0..20.0),
            10f64.powf(rng.random_range(-2.3..0.0)),
        );
        let samples: Vec<f64> = (0..samples)
            .map(|n| {
                let t = n as f64 / rate_hz;
                let charge = 1.0 - (-3.0 * (repeats * t + phase).fract()).exp();
                height * charge + (TAU * 50.03 * t).sin() + noise * normal(&mut rng)
            })
            .collect();
        let m = measured(&samples, rate_hz, 20);
        assert!(is_held(&m), "seed {seed}: {m:?}");
    }
}

/// Half a second to three of a voice whose pitch glides, over faint hum: tracks of the hum through what was left of it between words
/// told five times the record's RMS.
#[test]
fn hum_under_a_gliding_voice_is_no_more_than_the_record() {
    for seed in 0..TRIALS {
        let mut rng = ChaCha8Rng::seed_from_u64(22_000 + seed);
        let rate_hz = 8000.0;
        let samples = (rate_hz * rng.random_range(0.5..3.0)) as usize;
        let (pitch, glide) = (rng.random_range(85.0..230.0), rng.random_range(0.02..0.2));
        let (words, phase) = (rng.random_range(1.0..4.0), TAU * rng.random::<f64>());
        let height = 10f64.powf(rng.random_range(0.0..1.5));
        let mut turns = 0.0;
        let samples: Vec<f64> = (0..samples)
            .map(|n| {
                let t = n as f64 / rate_hz;
                turns += pitch * (1.0 + glide * (TAU * 1.3 * t + phase).sin()) / rate_hz;
                let voice: f64 = (1..=12)
                    .map(|k| (TAU * f64::from(k) * turns).cos() / f64::from(k))
                    .sum();
                let loud = (TAU * words * t + phase).sin().max(0.0);
                height * loud * voice + 0.5 * (TAU * 49.96 * t).sin() + 0.05 * normal(&mut rng)
            })
            .collect();
        let m = measured(&samples, rate_hz, 20);
        assert!(is_held(&m), "seed {seed}: {m:?}");
    }
}

//! Records of every kind that a folder may hold, by number.
#![allow(dead_code)]

use rand::{RngExt, SeedableRng};
use std::f64::consts::TAU;

/// Names of the contents.
pub const CONTENTS: [&str; 22] = [
    "zero",
    "constant",
    "two values",
    "ramp",
    "step",
    "impulse",
    "gaps",
    "huge",
    "tiny",
    "all equal but one",
    "half the rate",
    "noise",
    "hum",
    "bursts like speech",
    "settling",
    "random walk",
    "huge offset",
    "mostly missing",
    "overloads",
    "clipped hum",
    "one tone without noise",
    "beyond squares",
];

/// `count` samples of content number `kind` at `rate_hz`.
pub fn content(kind: usize, count: usize, rate_hz: f64) -> Vec<f64> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64((kind * 1_000_003 + count) as u64);
    let mut noise = move || (0..4).map(|_| rng.random::<f64>() - 0.5).sum::<f64>();
    let share = |n: usize| n as f64 / count.max(1) as f64;
    let hum = |n: usize| {
        let t = n as f64 / rate_hz;
        (TAU * (50.02 * t).fract()).cos() + 0.3 * (TAU * (150.06 * t).fract() + 1.0).cos()
    };
    let mut level = 0.0;
    (0..count)
        .map(|n| match CONTENTS[kind] {
            "zero" => 0.0,
            "constant" => 0.1234,
            "two values" => f64::from(u8::from(noise() > 0.2)),
            "ramp" => 5.0 * share(n),
            "step" => f64::from(u8::from(2 * n > count)) + 1e-4 * noise(),
            "impulse" => {
                if n == count / 2 {
                    10.0
                } else {
                    1e-3 * noise()
                }
            }
            "gaps" => {
                if n % 23 == 7 {
                    f64::NAN
                } else {
                    hum(n) + 0.01 * noise()
                }
            }
            "huge" => 1e300 * (hum(n) + 0.1 * noise()),
            "tiny" => 1e-300 * (hum(n) + 0.1 * noise()),
            "all equal but one" => {
                if n == count / 3 {
                    1.0
                } else {
                    0.5
                }
            }
            "half the rate" => {
                if n % 2 == 0 {
                    1.0
                } else {
                    -1.0
                }
            }
            "noise" => noise(),
            "hum" => 0.1 + hum(n) + 0.01 * noise(),
            "bursts like speech" => {
                let loud = (TAU * 3.0 * share(n)).sin().max(0.0);
                loud * noise() + 0.02 * hum(n)
            }
            "settling" => (-20.0 * share(n)).exp() + 1e-4 * noise(),
            "random walk" => {
                level += noise();
                level
            }
            "huge offset" => 1e12 + 1e-3 * noise(),
            "mostly missing" => {
                if n % 3 == 0 {
                    hum(n)
                } else {
                    f64::NAN
                }
            }
            "overloads" => {
                if hum(n) > 1.25 {
                    f64::INFINITY
                } else {
                    hum(n)
                }
            }
            "clipped hum" => (hum(n) + 0.01 * noise()).clamp(-1.1, 1.1),
            "one tone without noise" => (TAU * 0.0371 * n as f64).cos(),
            _ => 1e160 * (hum(n) + 0.1 * noise()),
        })
        .collect()
}

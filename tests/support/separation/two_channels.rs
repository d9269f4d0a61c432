//! Records of two channels of which everything is known, and the textbook's one gain and one delay.
#![allow(dead_code)]

use crate::cases::gauss;
use humsieve::separation::{HarmonicOptions, difference, reference};
use rand::{RngExt as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

#[derive(Clone, Copy, PartialEq)]
pub enum Wanted {
    Nothing,
    ToneOnOrder,
    Tone,
    Pulses,
    Chirp,
}

#[derive(Clone, Copy, PartialEq)]
pub enum Way {
    Reference,
    Difference,
}

#[derive(Clone, Copy)]
pub struct PairRecipe {
    pub name: &'static str,
    pub way: Way,
    pub rate_hz: f64,
    pub samples: usize,
    pub wanted: Wanted,
    /// RMS of either channel's own noise; the hum has about 0.9.
    pub target_noise: f64,
    pub other_noise: f64,
    /// Whether the hum is switched on in the record.
    pub switched: bool,
    /// Whether common mode stands up to near half the rate.
    pub broadband: bool,
    pub delay: f64,
    /// Change of the gain from the record's begin to its end, of its mean.
    pub gain_drift: f64,
    /// By how much the other channel's clock is off the target's at the begin and at the end, parts per million.
    pub clock_ppm: [f64; 2],
}

impl PairRecipe {
    /// Whether gain or clock drift.
    pub fn drifts(&self) -> bool {
        self.gain_drift != 0.0 || self.clock_ppm != [0.0; 2]
    }
}

pub struct PairCase {
    pub target: Vec<f64>,
    pub other: Vec<f64>,
    pub interference: Vec<f64>,
}

pub fn pair_recipes() -> Vec<PairRecipe> {
    let reference = |name, wanted| PairRecipe {
        name,
        way: Way::Reference,
        rate_hz: 10_000.0,
        samples: 100_000,
        wanted,
        target_noise: 0.003,
        other_noise: 0.03,
        switched: false,
        broadband: false,
        delay: 3.4,
        gain_drift: 0.0,
        clock_ppm: [0.0; 2],
    };
    let difference = |name, wanted| PairRecipe {
        way: Way::Difference,
        rate_hz: 1e6,
        samples: 60_000,
        target_noise: 2e-4,
        other_noise: 2e-4,
        broadband: true,
        delay: 0.08,
        ..reference(name, wanted)
    };
    vec![
        reference("reference, nothing wanted", Wanted::Nothing),
        reference("reference, wanted tone on an order", Wanted::ToneOnOrder),
        reference("reference, wanted tone", Wanted::Tone),
        PairRecipe {
            switched: true,
            ..reference("reference, wanted pulses, hum switched on", Wanted::Pulses)
        },
        PairRecipe {
            switched: true,
            ..reference("reference, wanted chirp, hum switched on", Wanted::Chirp)
        },
        PairRecipe {
            broadband: true,
            ..reference(
                "reference, broadband as well, wanted pulses",
                Wanted::Pulses,
            )
        },
        difference("A minus B at 1 MS/s, three cycles", Wanted::Tone),
        difference("A minus B at 1 MS/s, pulses", Wanted::Pulses),
        PairRecipe {
            rate_hz: 20_000.0,
            samples: 60_000,
            delay: 0.37,
            ..difference("A minus B at 20 kS/s, pulses", Wanted::Pulses)
        },
        PairRecipe {
            gain_drift: 0.02,
            ..reference("reference, gain drifts by 2 %", Wanted::Nothing)
        },
        PairRecipe {
            clock_ppm: [20.0; 2],
            ..reference(
                "reference, clock 20 ppm off, wanted tone on an order",
                Wanted::ToneOnOrder,
            )
        },
        PairRecipe {
            gain_drift: 0.01,
            clock_ppm: [-10.0, 50.0],
            ..reference(
                "reference, gain and clock drift, wanted pulses",
                Wanted::Pulses,
            )
        },
        PairRecipe {
            samples: 100_000,
            gain_drift: 0.005,
            clock_ppm: [5.0; 2],
            rate_hz: 20_000.0,
            delay: 0.37,
            ..difference(
                "A minus B at 20 kS/s, gain and clock drift, pulses",
                Wanted::Pulses,
            )
        },
    ]
}

pub fn make_pair(recipe: &PairRecipe, seed: u64) -> PairCase {
    const GAIN: f64 = 0.8;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (rate, n) = (recipe.rate_hz, recipe.samples);
    let turn = 2.0 * PI * (50.0 + rng.random_range(-0.04..0.04)) / rate;
    let phases: Vec<f64> = (0..20).map(|_| rng.random_range(0.0..2.0 * PI)).collect();
    let lines: Vec<(f64, f64)> = (0..400)
        .map(|_| {
            (
                rng.random_range(0.001..0.49),
                rng.random_range(0.0..2.0 * PI),
            )
        })
        .collect();
    let on = if recipe.switched {
        0.37 * n as f64
    } else {
        f64::NEG_INFINITY
    };
    let ground = |i: f64| -> f64 {
        let mut sum = 0.0;
        if i >= on {
            for (k, phase) in (1..=20).zip(&phases) {
                let k = f64::from(k);
                sum += (k * turn * i + phase).cos() / k;
            }
        }
        if recipe.broadband {
            sum += lines
                .iter()
                .map(|(nu, a)| 0.01 * (2.0 * PI * nu * i + a).cos())
                .sum::<f64>();
        }
        sum
    };
    let [from, to] = recipe.clock_ppm;
    let interference: Vec<f64> = (0..n)
        .map(|i| {
            let passed = i as f64 / n as f64;
            let gain = GAIN * (1.0 + recipe.gain_drift * (passed - 0.5));
            let off = 1e-6 * (from + 0.5 * (to - from) * passed);
            gain * ground(i as f64 * (1.0 + off) - recipe.delay)
        })
        .collect();
    let other = (0..n)
        .map(|i| ground(i as f64) + recipe.other_noise * gauss(&mut rng))
        .collect();
    let seconds = n as f64 / rate;
    let wanted = |i: usize| {
        let t = i as f64 / rate;
        match recipe.wanted {
            Wanted::Nothing => 0.0,
            Wanted::ToneOnOrder => 0.5 * (7.0 * turn * i as f64 + 0.3).cos(),
            Wanted::Tone => 0.5 * (2.0 * PI * 0.0437 * i as f64).cos(),
            Wanted::Pulses => (0..8)
                .map(|j| {
                    let centre = (0.07 + 0.117 * f64::from(j)) * seconds;
                    3.0 * (-0.5 * ((t - centre) / (1e-4 * seconds)).powi(2)).exp()
                })
                .sum(),
            Wanted::Chirp => (2.0 * PI * (20.0 * t + 150.0 * t * t)).cos(),
        }
    };
    let target = (0..n)
        .map(|i| wanted(i) + interference[i] + recipe.target_noise * gauss(&mut rng))
        .collect();
    PairCase {
        target,
        other,
        interference,
    }
}

/// The other channel shifted by a part of a sample in the frequency domain.
fn shifted(other: &[f64], delay: f64) -> Vec<f64> {
    let n = other.len();
    let mut spectrum: Vec<Complex64> = other.iter().map(|v| Complex64::new(*v, 0.0)).collect();
    let mut planner = FftPlanner::new();
    planner.plan_fft_forward(n).process(&mut spectrum);
    for (i, z) in spectrum.iter_mut().enumerate() {
        let at = if 2 * i <= n {
            i as f64
        } else {
            i as f64 - n as f64
        };
        *z *= Complex64::from_polar(1.0 / n as f64, -2.0 * PI * at * delay / n as f64);
    }
    planner.plan_fft_inverse(n).process(&mut spectrum);
    spectrum.iter().map(|z| z.re).collect()
}

/// One gain and one delay by plain least squares, from the sample nearest to the true delay.
pub fn gain_and_delay(case: &PairCase, near: f64) -> Vec<f64> {
    let fit = |delay: f64| {
        let other = shifted(&case.other, delay);
        let pairs = case.target.iter().zip(&other);
        let (along, length) = pairs.fold((0.0, 1e-300), |(a, l), (x, y)| (a + x * y, l + y * y));
        (along * along / length, along / length, other)
    };
    let (mut low, mut high) = (near.round() - 1.0, near.round() + 1.0);
    for _ in 0..30 {
        let (a, b) = (high - 0.618 * (high - low), low + 0.618 * (high - low));
        if fit(a).0 > fit(b).0 {
            high = b;
        } else {
            low = a;
        }
    }
    let (_, gain, other) = fit(0.5 * (low + high));
    other.iter().map(|v| gain * v).collect()
}

/// Error of what was removed, dB of the interference; both about their means: the offset is told on its own.
pub fn pair_error(case: &PairCase, removed: &[f64]) -> f64 {
    let errors: Vec<f64> = removed
        .iter()
        .zip(&case.interference)
        .map(|(a, b)| a - b)
        .collect();
    10.0 * (about_mean(&errors) / about_mean(&case.interference)).log10()
}

fn about_mean(x: &[f64]) -> f64 {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    x.iter().map(|v| (v - mean).powi(2)).sum()
}

/// What is taken out of a record by means of its second channel.
pub fn by_second_channel(case: &PairCase, recipe: &PairRecipe) -> Vec<f64> {
    let (target, other) = (&case.target, &case.other);
    match recipe.way {
        Way::Reference => {
            reference(target, other, recipe.rate_hz, &HarmonicOptions::default()).unwrap()
        }
        Way::Difference => difference(target, other, recipe.rate_hz).unwrap(),
    }
    .interference
}

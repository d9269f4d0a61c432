//! Synthetic records of which everything is known.
#![allow(dead_code)]

use rand::{RngExt as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::PI;

pub struct Case {
    pub rate_hz: f64,
    pub nominal_hz: f64,
    /// Wanted signal, hum and noise; the record is their sum and the offset.
    pub wanted: Vec<f64>,
    pub hum: Vec<f64>,
    pub noise: Vec<f64>,
    pub offset: f64,
    /// True phase in cycles.
    pub phase: Vec<f64>,
    /// Orders that are there.
    pub orders: Vec<usize>,
    /// Order, amplitude and phase of each line (of the first shape).
    pub lines: Vec<(usize, f64, f64)>,
    /// Shapes by which the harmonics are multiplied (known to the oracle only).
    pub shapes: Vec<Vec<f64>>,
}

impl Case {
    pub fn record(&self) -> Vec<f64> {
        (0..self.hum.len())
            .map(|i| self.wanted[i] + self.hum[i] + self.noise[i] + self.offset)
            .collect()
    }
}

pub fn gauss(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

#[derive(Clone, Copy, PartialEq)]
pub enum Mains {
    Steady,
    Walk,
    Step,
    Modulated,
    SwitchedOn,
    ClockOff,
}

#[derive(Clone, Copy, PartialEq)]
pub enum Series {
    Few,
    Twenty,
    Rectifier,
    PhaseCut,
    Fundamental,
    None,
}

#[derive(Clone, Copy, PartialEq)]
pub enum Wanted {
    Nothing,
    Steps,
    Pulses,
    Slow,
    Chirp,
    PulseTrain,
    Tone,
    TwoTones,
}

#[derive(Clone, Copy, PartialEq)]
pub enum Noise {
    White,
    Pink,
}

pub struct Recipe {
    pub name: &'static str,
    pub seconds: f64,
    pub rate_hz: f64,
    pub nominal_hz: f64,
    pub mains: Mains,
    pub series: Series,
    pub wanted: Wanted,
    pub noise: Noise,
    pub noise_rms: f64,
}

pub fn recipe(name: &'static str) -> Recipe {
    Recipe {
        name,
        seconds: 10.0,
        rate_hz: 10_000.0,
        nominal_hz: 50.0,
        mains: Mains::Steady,
        series: Series::Twenty,
        wanted: Wanted::Nothing,
        noise: Noise::White,
        noise_rms: 0.05,
    }
}

/// Every case of the scoreboard.
pub fn recipes() -> Vec<Recipe> {
    let mut list = vec![
        recipe("steady, 10 s"),
        Recipe {
            seconds: 1.0,
            ..recipe("steady, 1 s")
        },
        Recipe {
            seconds: 0.2,
            ..recipe("steady, 10 cycles")
        },
        Recipe {
            seconds: 0.06,
            ..recipe("steady, 3 cycles")
        },
        Recipe {
            seconds: 0.03,
            ..recipe("steady, 1.5 cycles")
        },
        Recipe {
            noise_rms: 1.0,
            ..recipe("steady, hum at the noise's level")
        },
        Recipe {
            mains: Mains::Walk,
            ..recipe("grid walk 10 mHz, 10 s")
        },
        Recipe {
            mains: Mains::Walk,
            seconds: 60.0,
            ..recipe("grid walk, 60 s")
        },
        Recipe {
            mains: Mains::Walk,
            noise_rms: 0.5,
            ..recipe("grid walk, weak hum")
        },
        Recipe {
            mains: Mains::Step,
            ..recipe("0.2 Hz step")
        },
        Recipe {
            mains: Mains::Modulated,
            ..recipe("5 % modulation")
        },
        Recipe {
            mains: Mains::SwitchedOn,
            ..recipe("load switched on")
        },
        Recipe {
            mains: Mains::ClockOff,
            ..recipe("clock 100 ppm off")
        },
        Recipe {
            series: Series::Rectifier,
            rate_hz: 20_000.0,
            ..recipe("rectifier, 60+ orders")
        },
        Recipe {
            series: Series::Rectifier,
            rate_hz: 20_000.0,
            mains: Mains::Walk,
            ..recipe("rectifier, grid walk")
        },
        Recipe {
            series: Series::PhaseCut,
            rate_hz: 20_000.0,
            ..recipe("phase-cut pulses")
        },
        Recipe {
            series: Series::Fundamental,
            rate_hz: 1000.0,
            ..recipe("fundamental alone, 1 kHz")
        },
        Recipe {
            nominal_hz: 60.0,
            rate_hz: 1000.0,
            series: Series::Few,
            ..recipe("60 Hz, 1 kHz")
        },
        Recipe {
            noise: Noise::Pink,
            ..recipe("pink noise")
        },
        Recipe {
            noise: Noise::Pink,
            mains: Mains::Walk,
            ..recipe("pink noise, grid walk")
        },
        Recipe {
            wanted: Wanted::Steps,
            ..recipe("wanted steps")
        },
        Recipe {
            wanted: Wanted::Pulses,
            ..recipe("wanted pulses")
        },
        Recipe {
            wanted: Wanted::Slow,
            ..recipe("wanted slow signal")
        },
        Recipe {
            wanted: Wanted::Chirp,
            ..recipe("wanted chirp")
        },
        Recipe {
            wanted: Wanted::PulseTrain,
            ..recipe("wanted pulse train")
        },
        Recipe {
            wanted: Wanted::TwoTones,
            ..recipe("wanted tones")
        },
        Recipe {
            wanted: Wanted::Steps,
            mains: Mains::Walk,
            ..recipe("wanted steps, grid walk")
        },
        Recipe {
            wanted: Wanted::Pulses,
            mains: Mains::Walk,
            ..recipe("wanted pulses, grid walk")
        },
        Recipe {
            wanted: Wanted::Chirp,
            mains: Mains::Walk,
            ..recipe("wanted chirp, grid walk")
        },
        Recipe {
            wanted: Wanted::TwoTones,
            mains: Mains::Walk,
            ..recipe("wanted tones, grid walk")
        },
        Recipe {
            wanted: Wanted::PulseTrain,
            mains: Mains::SwitchedOn,
            ..recipe("wanted pulse train, load switched on")
        },
    ];
    list.push(Recipe {
        wanted: Wanted::Pulses,
        seconds: 0.2,
        ..recipe("wanted pulse, 10 cycles")
    });
    list
}

/// Records without hum.
pub fn silent_recipes() -> Vec<Recipe> {
    let none = |name, wanted, noise| Recipe {
        series: Series::None,
        wanted,
        noise,
        ..recipe(name)
    };
    vec![
        none("no hum: white noise", Wanted::Nothing, Noise::White),
        none("no hum: pink noise", Wanted::Nothing, Noise::Pink),
        none("no hum: steps", Wanted::Steps, Noise::White),
        none("no hum: pulses", Wanted::Pulses, Noise::White),
        none("no hum: chirp", Wanted::Chirp, Noise::White),
        none("no hum: pulse train", Wanted::PulseTrain, Noise::White),
        none("no hum: 1 kHz tone", Wanted::Tone, Noise::White),
        none("no hum: tones", Wanted::TwoTones, Noise::White),
        none("no hum: slow", Wanted::Slow, Noise::White),
    ]
}

pub fn make(recipe: &Recipe, seed: u64) -> Case {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let n = (recipe.seconds * recipe.rate_hz).round() as usize;
    let dt = 1.0 / recipe.rate_hz;
    let nominal = recipe.nominal_hz;
    let base = nominal + rng.random_range(-0.04..0.04);
    let start: f64 = rng.random();
    // Walk whose standard deviation is 10 mHz after 10 s.
    let per_sample = 0.01 / 10f64.sqrt() * dt.sqrt();
    let (mut frequency, mut cycles) = (base, start);
    let mut phase = Vec::with_capacity(n);
    let step_at = (0.43 * n as f64) as usize;
    for i in 0..n {
        phase.push(cycles);
        match recipe.mains {
            Mains::Walk | Mains::Modulated => frequency += per_sample * gauss(&mut rng),
            Mains::Step if i == step_at => frequency += 0.2,
            Mains::ClockOff if i == 0 => frequency = nominal * (1.0 + 100e-6),
            _ => {}
        }
        cycles += frequency * dt;
    }
    let below = (0.45 * recipe.rate_hz / nominal) as usize;
    let lines: Vec<(usize, f64)> = match recipe.series {
        Series::None => Vec::new(),
        Series::Fundamental => vec![(1, 1.0)],
        Series::Few => vec![(1, 1.0), (2, 0.2), (3, 0.4), (5, 0.2)],
        Series::Twenty => (1..=20).map(|k| (k, 1.0 / k as f64)).collect(),
        Series::Rectifier => (1..=64)
            .map(|k| (2 * k, 1.0 / (1.0 + (k as f64 / 30.0).powi(2))))
            .collect(),
        Series::PhaseCut => (0..40)
            .map(|k| (2 * k + 1, 1.0 / (1.0 + k as f64 / 6.0)))
            .collect(),
    };
    let lines: Vec<(usize, f64)> = lines.into_iter().filter(|l| l.0 <= below).collect();
    let power: f64 = lines.iter().map(|l| 0.5 * l.1 * l.1).sum();
    let scale = if power > 0.0 { 1.0 / power.sqrt() } else { 0.0 };
    let aligned = matches!(recipe.series, Series::Rectifier | Series::PhaseCut);
    let lines: Vec<(usize, f64, f64)> = lines
        .iter()
        .map(|&(k, a)| {
            (
                k,
                a * scale,
                if aligned {
                    0.3 * k as f64
                } else {
                    rng.random_range(0.0..2.0 * PI)
                },
            )
        })
        .collect();
    let ones = vec![1.0; n];
    let switch_at = (0.37 * n as f64) as usize;
    let shapes = match recipe.mains {
        Mains::Modulated => vec![
            (0..n)
                .map(|i| 1.0 + 0.05 * (2.0 * PI * 0.7 * i as f64 * dt + 1.0).sin())
                .collect(),
        ],
        Mains::SwitchedOn => vec![
            ones,
            (0..n)
                .map(|i| if i >= switch_at { 1.0 } else { 0.0 })
                .collect::<Vec<f64>>(),
        ],
        _ => vec![ones],
    };
    let mut hum = vec![0.0; n];
    for (index, &(k, a, theta)) in lines.iter().enumerate() {
        for (s, shape) in shapes.iter().enumerate() {
            let (a, theta) = if s == 0 {
                (a, theta)
            } else {
                (0.6 * a, theta + 1.0 + index as f64)
            };
            for i in 0..n {
                hum[i] += shape[i] * a * (2.0 * PI * k as f64 * phase[i] + theta).cos();
            }
        }
    }
    let mut noise: Vec<f64> = (0..n).map(|_| recipe.noise_rms * gauss(&mut rng)).collect();
    if recipe.noise == Noise::Pink {
        noise = pink(&mut rng, n, recipe.noise_rms);
    }
    let wanted = wanted_signal(recipe, n, dt, &mut rng);
    Case {
        rate_hz: recipe.rate_hz,
        nominal_hz: nominal,
        wanted,
        hum,
        noise,
        offset: 0.3,
        phase,
        orders: lines.iter().map(|l| l.0).collect(),
        lines,
        shapes,
    }
}

fn wanted_signal(recipe: &Recipe, n: usize, dt: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let time = |i: usize| i as f64 * dt;
    let length = n as f64 * dt;
    match recipe.wanted {
        Wanted::Nothing => vec![0.0; n],
        Wanted::Steps => {
            let edges: Vec<f64> = (0..4)
                .map(|_| rng.random_range(0.1..0.9) * length)
                .collect();
            (0..n)
                .map(|i| {
                    edges
                        .iter()
                        .enumerate()
                        .map(|(j, e)| {
                            if time(i) > *e {
                                if j % 2 == 0 { 2.0 } else { -1.5 }
                            } else {
                                0.0
                            }
                        })
                        .sum()
                })
                .collect()
        }
        Wanted::Pulses => {
            let count = (0.7 * length).ceil() as usize;
            let centres: Vec<f64> = (0..count)
                .map(|_| rng.random_range(0.05..0.95) * length)
                .collect();
            (0..n)
                .map(|i| {
                    centres
                        .iter()
                        .map(|c| 3.0 * (-0.5 * ((time(i) - c) / 0.001).powi(2)).exp())
                        .sum()
                })
                .collect()
        }
        Wanted::Slow => (0..n)
            .map(|i| {
                2.0 * (2.0 * PI * 0.31 * time(i)).sin()
                    + 0.5 * (2.0 * PI * 3.1 * time(i) + 1.0).sin()
            })
            .collect(),
        Wanted::Chirp => {
            let (low, high) = (20.0, 0.3 / dt);
            (0..n)
                .map(|i| {
                    (2.0 * PI * (low * time(i) + 0.5 * (high - low) / length * time(i).powi(2)))
                        .cos()
                })
                .collect()
        }
        Wanted::PulseTrain => {
            let period = 0.1373;
            (0..n)
                .map(|i| {
                    if (time(i) + 0.03).rem_euclid(period) < 0.004 {
                        2.0
                    } else {
                        0.0
                    }
                })
                .collect()
        }
        Wanted::Tone => (0..n)
            .map(|i| (2.0 * PI * 1000.0 * time(i)).cos())
            .collect(),
        Wanted::TwoTones => (0..n)
            .map(|i| (2.0 * PI * 437.3 * time(i)).cos() + 0.7 * (2.0 * PI * 1013.9 * time(i)).cos())
            .collect(),
    }
}

/// Pink noise as a sum of first-order filtered noises, one an octave.
fn pink(rng: &mut ChaCha8Rng, n: usize, rms: f64) -> Vec<f64> {
    let mut states = [0.0f64; 14];
    let mut out: Vec<f64> = (0..n)
        .map(|_| {
            let mut sum = 0.0;
            for (j, s) in states.iter_mut().enumerate() {
                let pole = 1.0 - 0.5f64.powi(j as i32 + 1);
                *s = pole * *s + (1.0 - pole * pole).sqrt() * gauss(rng);
                sum += *s;
            }
            sum
        })
        .collect();
    let power = out.iter().map(|v| v * v).sum::<f64>() / n as f64;
    for v in &mut out {
        *v *= rms / power.sqrt();
    }
    out
}

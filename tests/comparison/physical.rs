//! Physical models of interference, from which captures of a bench are drawn.
//!
//! Circuits, not recordings: a lead's resistance under earth current (Ohm), the voltage that a changing field induces in
//! a loop (Faraday: proportional to the current's change), a capacitance across a barrier (its current proportional to
//! the change of the voltage), the Fourier series of a sine cut at an angle, of a sawtooth ripple at twice the mains.
//! Levels, lengths, rates and phases are drawn.

use humsieve::Condition;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::{PI, TAU};

/// What brings the interference in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Earth current over the lead's resistance; the remedy leaves a resistor.
    ResistiveLoop,
    /// A field through the loop's area; the remedy opens it.
    InducedLoop,
    /// Earth current; the remedy leaves a capacitance.
    CapacitiveBarrier,
    /// A field on the leads, which no remedy changes.
    StrayField,
    /// A supply's ripple at twice the mains in the loop.
    RectifierRipple,
    /// The current of a sine cut at an angle, over the lead's resistance.
    PhaseCutLoad,
    /// A converter's line, modulated at twice the mains, in a loop with little hum.
    SwitchingSupply,
    /// Multiples of a shaft's frequency.
    Motor,
    /// The instrument's own hum in every condition.
    OwnHum,
    /// Noise alone.
    NoiseAlone,
    /// A wanted tone, the same in looped and isolated.
    WantedTone,
    /// Syllables of a voice whose pitch glides.
    Speech,
}

/// A bench: what is the same in all its captures.
pub struct Bench {
    model: Model,
    pub rate_hz: f64,
    pub duration_s: f64,
    /// Captures of each condition.
    pub repeats: usize,
    mains_hz: f64,
    noise: f64,
    zero: f64,
    /// Difference of the grounds' potentials that the loop brings.
    ground: f64,
    /// Peak amplitude and phase of each order with the loop closed.
    looped: Vec<(f64, f64)>,
    /// The instrument's own hum, there in every condition: order, peak amplitude, phase.
    own: [(f64, f64, f64); 2],
    /// What of each order is left: share and power of order.
    left: (f64, f64),
    tones: Vec<(f64, f64)>,
    /// Depth of the tones' modulation at twice the mains.
    depth: f64,
    /// Share of the tones that the remedy leaves.
    tones_left: f64,
    voice: f64,
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

fn between_logarithms(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    between(rng, low.ln(), high.ln()).exp()
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A load's current: odd orders that fall with order, even ones far below them, phases at random.
fn load_current(rng: &mut ChaCha8Rng, orders: usize) -> Vec<(f64, f64)> {
    let fall = between(rng, 0.7, 1.8);
    let even = between_logarithms(rng, 0.01, 0.1);
    (1..=orders)
        .map(|order| {
            let k = order as f64;
            let own = between(rng, 0.6, 1.4) * if order % 2 == 0 { even } else { 1.0 };
            (own * k.powf(-fall), between(rng, -PI, PI))
        })
        .collect()
}

/// The voltage that the change of a current brings: every order times k, a quarter turn ahead.
fn changed(current: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let orders = current.into_iter().zip(1..);
    orders
        .map(|((a, phase), k)| (a * f64::from(k), phase + 0.5 * PI))
        .collect()
}

/// Fourier series of a sine that conducts from an angle of each half cycle to its end, by the sum over one cycle.
fn cut_sine(angle: f64, orders: usize) -> Vec<(f64, f64)> {
    const STEPS: usize = 20_000;
    let value = |i: usize| {
        let turn = TAU * (i as f64 + 0.5) / STEPS as f64;
        if turn % PI >= angle { turn.sin() } else { 0.0 }
    };
    let cycle: Vec<f64> = (0..STEPS).map(value).collect();
    (1..=orders)
        .map(|order| {
            let step = TAU * order as f64 / STEPS as f64;
            let (mut c, mut s) = (0.0, 0.0);
            for (i, x) in cycle.iter().enumerate() {
                let turn = step * (i as f64 + 0.5);
                c += x * turn.cos();
                s -= x * turn.sin();
            }
            (2.0 * c.hypot(s) / STEPS as f64, s.atan2(c))
        })
        .collect()
}

impl Bench {
    /// Everything that is drawn once for a bench.
    pub fn drawn(model: Model, seed: u64) -> Self {
        let rng = &mut ChaCha8Rng::seed_from_u64(1000 * (model as u64 + 1) + seed);
        let low_rate = if model == Model::SwitchingSupply {
            5e3
        } else {
            2e3
        };
        let rate_hz = between_logarithms(rng, low_rate, 50e3).round();
        let duration_s = between_logarithms(rng, 0.3, 5.0);
        let mains_hz = if rng.random::<bool>() { 50.0 } else { 60.0 } + between(rng, -0.05, 0.05);
        let orders = ((0.45 * rate_hz / mains_hz) as usize).min(60);
        let hum = between_logarithms(rng, 1e-3, 30e-3);
        let mut bench = Self {
            model,
            rate_hz,
            duration_s,
            repeats: if rng.random::<bool>() { 1 } else { 3 },
            mains_hz,
            noise: hum * between_logarithms(rng, 2e-4, 2e-2),
            zero: between(rng, -0.5e-3, 0.5e-3),
            ground: 0.0,
            looped: Vec::new(),
            own: [(0.0, 0.0, 0.0); 2],
            left: (0.0, 0.0),
            tones: Vec::new(),
            depth: 0.0,
            tones_left: 1.0,
            voice: 0.0,
        };
        bench.add_hum(rng, orders);
        let own = hum * between_logarithms(rng, 1e-5, 1e-3);
        let mut phase = || between(rng, -PI, PI);
        bench.own = [(1.0, own, phase()), (3.0, own / 3.0, phase())];
        bench.add_others(rng, hum);
        let square: f64 = bench.looped.iter().map(|(a, _)| a * a).sum();
        let scale = match model {
            Model::SwitchingSupply => 0.05,
            Model::OwnHum => 0.3,
            _ => 1.0,
        };
        for (a, _) in &mut bench.looped {
            *a *= scale * hum / square.sqrt();
        }
        bench
    }

    fn add_hum(&mut self, rng: &mut ChaCha8Rng, orders: usize) {
        self.looped = match self.model {
            Model::InducedLoop | Model::StrayField => changed(load_current(rng, orders)),
            Model::RectifierRipple => {
                let second = between(rng, -PI, PI);
                (1..=orders)
                    .map(|order| {
                        let m = (order / 2) as f64;
                        match order % 2 {
                            0 => (1.0 / m, second * m - 0.5 * PI),
                            _ => (
                                0.02 * between(rng, 0.2, 1.0) / order as f64,
                                between(rng, -PI, PI),
                            ),
                        }
                    })
                    .collect()
            }
            Model::PhaseCutLoad => cut_sine(between(rng, 0.25 * PI, 0.75 * PI), orders),
            Model::Motor | Model::NoiseAlone | Model::WantedTone | Model::Speech => Vec::new(),
            _ => load_current(rng, orders),
        };
        self.left = match self.model {
            Model::ResistiveLoop => (between_logarithms(rng, 3e-3, 0.2), 0.0),
            Model::CapacitiveBarrier => (between_logarithms(rng, 3e-4, 2e-2), 1.0),
            Model::StrayField | Model::OwnHum => (1.0, 0.0),
            Model::InducedLoop => (0.0, 0.0),
            _ => (between_logarithms(rng, 1e-5, 1e-3), 0.0),
        };
        if matches!(self.model, Model::ResistiveLoop | Model::CapacitiveBarrier) {
            self.ground = between(rng, -20e-3, 20e-3);
        }
    }

    fn add_others(&mut self, rng: &mut ChaCha8Rng, level: f64) {
        let half = 0.45 * self.rate_hz;
        match self.model {
            Model::SwitchingSupply => {
                let hz = between_logarithms(rng, 1200.0, half);
                self.tones = vec![(hz, level)];
                self.depth = between(rng, 0.3, 0.9);
                self.tones_left = between(rng, 0.01, 1.0);
            }
            Model::Motor => {
                let shaft = between(rng, 17.0, 45.0);
                self.tones = (1..=5)
                    .map(|m| (f64::from(m) * shaft, level * between(rng, 0.2, 1.0)))
                    .filter(|(hz, _)| *hz < half)
                    .collect();
            }
            Model::WantedTone => self.tones = vec![(between_logarithms(rng, 20.0, half), level)],
            Model::Speech => self.voice = level,
            _ => {}
        }
    }

    /// One capture.
    pub fn capture(&self, condition: Condition, number: usize, seed: u64) -> Vec<f64> {
        let stream = 1_000_000 * (self.model as u64 + 1) + 100 * seed;
        let place = 10 * (condition as u64) + number as u64;
        let rng = &mut ChaCha8Rng::seed_from_u64(stream + place);
        let wander = between(rng, -0.01, 0.01);
        let phase = between(rng, -PI, PI);
        let load = 1.0 + 0.02 * normal(rng);
        let (share, power) = self.left;
        let own_hum = self.model == Model::OwnHum;
        let brought = self.looped.iter().zip(1..).map(|(&(a, at), order)| {
            let k = f64::from(order);
            let (gain, turn) = match condition {
                Condition::Baseline if !own_hum => (0.0, 0.0),
                Condition::Isolated => (share * k.powf(power), 0.5 * PI * power),
                _ => (1.0, 0.0),
            };
            (k, a * gain * load * (1.0 + 0.01 * normal(rng)), at + turn)
        });
        let lines: Vec<(f64, f64, f64)> = brought.chain(self.own).collect();
        let tones = match condition {
            Condition::Baseline => 0.0,
            Condition::Isolated => self.tones_left,
            Condition::Looped => 1.0,
        };
        let ground = if condition == Condition::Looped {
            self.ground
        } else {
            0.0
        };
        let offset = ground * (1.0 + 0.01 * normal(rng)) + self.zero * (1.0 + 0.02 * normal(rng));
        let tone_phase = between(rng, -PI, PI);
        let (pitch, glide) = (between(rng, 100.0, 220.0), between(rng, 0.05, 0.2));
        (0..(self.rate_hz * self.duration_s) as usize)
            .map(|n| {
                let t = n as f64 / self.rate_hz;
                let turn = TAU * (self.mains_hz + wander) * t + phase;
                let hum: f64 = lines
                    .iter()
                    .filter(|(_, a, _)| *a != 0.0)
                    .map(|(k, a, at)| a * (k * turn + at).cos())
                    .sum();
                let ripple = 1.0 + self.depth * (2.0 * turn + 0.7).cos();
                let others: f64 = self
                    .tones
                    .iter()
                    .map(|(hz, a)| tones * ripple * a * (TAU * hz * t + tone_phase * hz).cos())
                    .sum();
                let speaks = condition != Condition::Baseline && self.voice > 0.0;
                let voice = if speaks {
                    self.voice * voice(t, pitch, glide)
                } else {
                    0.0
                };
                offset + hum + others + voice + self.noise * normal(rng)
            })
            .collect()
    }
}

/// Ten harmonics of a pitch that glides, in syllables of a fifth of a second.
fn voice(t: f64, pitch: f64, glide: f64) -> f64 {
    let turn = TAU * pitch * (t - glide / (TAU * 1.3) * (TAU * 1.3 * t).cos());
    let syllable = (PI * 5.0 * t).sin().powi(2);
    let series = (1..=10).map(|m| (f64::from(m) * turn + f64::from(m * m)).cos() / f64::from(m));
    syllable * series.sum::<f64>()
}

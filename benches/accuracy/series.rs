//! The true mains series: a phase track, an envelope, amplitudes and phases of its orders.

use crate::synthesis::normal;
use rand_chacha::ChaCha8Rng;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// How the frequency moves about its value in the middle.
#[derive(Debug, Clone)]
pub enum Motion {
    Steady,
    /// Random walk: RMS gain in one second.
    Walk {
        hz: f64,
    },
    /// Sum of slow sinusoids: deviation, rate, phase.
    Sway(Vec<(f64, f64, f64)>),
    /// Even change through the record.
    Drift {
        hz_per_s: f64,
    },
}

/// How the amplitude of all orders moves.
#[derive(Debug, Clone, Copy)]
pub enum Envelope {
    Steady,
    Modulated {
        depth: f64,
        hz: f64,
        phase: f64,
    },
    /// Present between two places of the record, as shares of its length.
    Span {
        from: f64,
        to: f64,
    },
    /// Multiplied by a factor from a place on.
    Step {
        at: f64,
        factor: f64,
    },
}

impl Envelope {
    fn at(self, time_s: f64, duration_s: f64) -> f64 {
        let place = time_s / duration_s;
        match self {
            Self::Steady => 1.0,
            Self::Modulated { depth, hz, phase } => 1.0 + depth * (TAU * hz * time_s + phase).sin(),
            Self::Span { from, to } => f64::from(u8::from((from..to).contains(&place))),
            Self::Step { at, factor } if place >= at => factor,
            Self::Step { .. } => 1.0,
        }
    }
}

#[derive(Debug, Clone)]
pub struct Series {
    pub fundamental_hz: f64,
    /// Peak amplitude and phase (rad) of orders 1, 2, ..
    pub orders: Vec<(f64, f64)>,
    pub motion: Motion,
    pub envelope: Envelope,
}

/// What a record of the series held.
pub struct Held {
    pub mean_frequency_hz: f64,
    /// Root mean square of the envelope.
    pub level: f64,
}

impl Series {
    /// RMS of the first orders under an envelope of 1.
    pub fn rms(&self, orders: usize) -> f64 {
        let power: f64 = self.orders.iter().take(orders).map(|o| o.0 * o.0).sum();
        (power / 2.0).sqrt()
    }

    /// The series alone, and what was in it.
    pub fn record(&self, rate_hz: f64, count: usize, rng: &mut ChaCha8Rng) -> (Vec<f64>, Held) {
        let duration = count as f64 / rate_hz;
        let phasors: Vec<Complex64> = self
            .orders
            .iter()
            .map(|&(amplitude, phase)| Complex64::from_polar(amplitude, phase))
            .collect();
        let (mut walk, mut cycles, mut power) = (0.0, 0.0, 0.0);
        let samples = (0..count)
            .map(|n| {
                let envelope = self.envelope.at(n as f64 / rate_hz, duration);
                power += envelope * envelope;
                let value = envelope * self.turned(&phasors, cycles);
                if let Motion::Walk { hz } = self.motion {
                    walk += hz / rate_hz.sqrt() * normal(rng);
                }
                let middle = (n as f64 + 0.5) / rate_hz;
                cycles += (self.frequency(middle, duration) + walk) / rate_hz;
                value
            })
            .collect();
        let held = Held {
            mean_frequency_hz: cycles / duration,
            level: (power / count as f64).sqrt(),
        };
        (samples, held)
    }

    fn turned(&self, phasors: &[Complex64], cycles: f64) -> f64 {
        let base = Complex64::cis(TAU * cycles.fract());
        let mut power = Complex64::ONE;
        let mut sum = 0.0;
        for phasor in phasors {
            power *= base;
            sum += (power * phasor).re;
        }
        sum
    }

    fn frequency(&self, time_s: f64, duration_s: f64) -> f64 {
        self.fundamental_hz
            + match &self.motion {
                Motion::Steady | Motion::Walk { .. } => 0.0,
                Motion::Sway(parts) => parts
                    .iter()
                    .map(|(deviation, hz, phase)| deviation * (TAU * hz * time_s + phase).sin())
                    .sum(),
                Motion::Drift { hz_per_s } => hz_per_s * (time_s - 0.5 * duration_s),
            }
    }
}

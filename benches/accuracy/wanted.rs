//! What is wanted beside hum: settlings, steps, slow signals, tones, pulses, lively signals.

use crate::draw::Draw;
use crate::lively;
use std::f64::consts::TAU;

/// Kinds of content.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Content {
    Settling,
    SettlingMidRecord,
    DoubleSettling,
    Ramp,
    Parabola,
    Step,
    SlowSine,
    /// A test tone at one of these frequencies.
    ToneAt(&'static [f64]),
    ToneNearOrder,
    ToneAnywhere,
    RandomPulses,
    PulseTrain,
    Speech,
    Heart,
    Chirp,
    Music,
    MachineLine,
    /// A series of a fan's speed between two frequencies.
    Fan(f64, f64),
    TwoValued,
    Nothing,
}

/// The record into which the content is put.
pub struct Place {
    pub rate_hz: f64,
    pub count: usize,
    pub fundamental_hz: f64,
    /// Strength of the hum that is or might be there, RMS.
    pub hum_rms: f64,
    /// Highest order of it.
    pub orders: usize,
    /// Whether the hum is there.
    pub hum: bool,
}

impl Place {
    pub fn duration_s(&self) -> f64 {
        self.count as f64 / self.rate_hz
    }

    /// A function of time, s.
    pub fn of_time(&self, value: impl FnMut(f64) -> f64) -> Vec<f64> {
        let step = 1.0 / self.rate_hz;
        (0..self.count)
            .map(|n| n as f64 * step)
            .map(value)
            .collect()
    }
}

/// The content's samples and its lines.
#[derive(Default)]
pub struct Wanted {
    pub samples: Vec<f64>,
    /// Single lines, Hz.
    pub lines: Vec<f64>,
    /// Fundamentals of series, Hz.
    pub series: Vec<f64>,
    /// Lines far above 0 Hz, whose mean over the record is none of the offset's.
    pub alternating: bool,
    /// Its own lines are many and come and go, and its spectrum is not told from noise.
    pub lively: bool,
}

impl Wanted {
    fn plain(samples: Vec<f64>) -> Self {
        Self {
            samples,
            ..Self::default()
        }
    }

    /// Its part of the record's offset.
    pub fn offset(&self) -> f64 {
        if self.alternating {
            0.0
        } else {
            self.samples.iter().sum::<f64>() / self.samples.len() as f64
        }
    }
}

impl Content {
    /// Lowest rate and shortest and longest record that show it, Hz and s.
    pub fn reach(self) -> (f64, f64, f64) {
        match self {
            Self::Speech => (4000.0, 1.0, 8.0),
            Self::Music | Self::Chirp => (4000.0, 0.5, 6.0),
            Self::ToneAt(_) => (5000.0, 0.2, 6.0),
            Self::SlowSine => (500.0, 1.0, 10.0),
            Self::Heart => (500.0, 3.0, 12.0),
            Self::MachineLine => (500.0, 1.0, 10.0),
            _ => (500.0, 0.2, 10.0),
        }
    }

    pub fn made(self, place: &Place, draw: &mut Draw) -> Wanted {
        let length = place.duration_s();
        match self {
            Self::Nothing => Wanted::plain(vec![0.0; place.count]),
            Self::Settling => {
                let tail = settling(place, 0.0, draw);
                Wanted::plain(place.of_time(tail))
            }
            Self::SettlingMidRecord => {
                let start = draw.uniform(0.1, 0.7) * length;
                let tail = settling(place, start, draw);
                Wanted::plain(place.of_time(tail))
            }
            Self::DoubleSettling => {
                let (one, other) = (settling(place, 0.0, draw), settling(place, 0.0, draw));
                Wanted::plain(place.of_time(|t| one(t) + other(t)))
            }
            Self::Ramp | Self::Parabola => {
                let height = draw.sign() * draw.spread(1.0, 1000.0) * place.hum_rms;
                let vertex = draw.uniform(-0.2, 1.2);
                Wanted::plain(place.of_time(|t| {
                    let x = t / length;
                    height
                        * if self == Self::Ramp {
                            x
                        } else {
                            (x - vertex).powi(2)
                        }
                }))
            }
            Self::Step => {
                let height = draw.sign() * draw.spread(1.0, 300.0) * place.hum_rms;
                let start = draw.uniform(0.05, 0.95) * length;
                Wanted::plain(place.of_time(|t| if t < start { 0.0 } else { height }))
            }
            Self::SlowSine => {
                let height = draw.spread(3.0, 1000.0) * place.hum_rms;
                let (hz, phase) = (draw.uniform(0.2, 0.4), draw.phase());
                let samples = place.of_time(|t| height * (TAU * hz * t + phase).sin());
                Wanted {
                    lines: vec![hz],
                    ..Wanted::plain(samples)
                }
            }
            Self::TwoValued => {
                let half = draw.spread(4.0, 0.2 * place.count as f64);
                let mut left = 0.0;
                let mut level = draw.sign() * place.hum_rms;
                let samples = place.of_time(|_| {
                    left -= 1.0;
                    if left <= 0.0 {
                        level = -level;
                        left = half * draw.uniform(0.2, 1.8);
                    }
                    level
                });
                Wanted {
                    lively: true,
                    ..Wanted::plain(samples)
                }
            }
            Self::RandomPulses | Self::PulseTrain => pulses(self, place, draw),
            Self::Speech => lively::speech(place, draw),
            Self::Heart => lively::heart(place, draw),
            Self::Chirp => lively::chirp(place, draw),
            Self::Music => lively::music(place, draw),
            Self::Fan(low, high) => fan(place, (low, high), draw),
            Self::ToneAt(_) | Self::ToneNearOrder | Self::ToneAnywhere | Self::MachineLine => {
                self.tone(place, draw)
            }
        }
    }

    fn tone(self, place: &Place, draw: &mut Draw) -> Wanted {
        // Without hum nobody can tell a line at the place of order 1 or 2 from hum.
        let least = if place.hum { 1 } else { 3 };
        let order = draw.whole(least, place.orders.max(4)) as f64 * place.fundamental_hz;
        let hz = match self {
            Self::ToneAt(all) => draw.one_of(all),
            Self::ToneNearOrder => order + draw.uniform(-1.0, 1.0),
            Self::MachineLine => order + draw.sign() * draw.uniform(0.3, 3.0),
            _ => loop {
                let hz = draw.spread(20.0, 0.45 * place.rate_hz);
                if place.hum || !like_hum(hz) {
                    break hz;
                }
            },
        };
        let strength = if self == Self::MachineLine {
            draw.spread(0.3, 30.0)
        } else {
            draw.spread(20.0, 100.0)
        };
        let (peak, phase) = (strength * place.hum_rms * 2f64.sqrt(), draw.phase());
        Wanted {
            lines: vec![hz],
            alternating: true,
            ..Wanted::plain(place.of_time(|t| peak * (TAU * hz * t + phase).cos()))
        }
    }
}

/// Whether a line alone would pass for the fundamental or a rectifier's double.
fn like_hum(hz: f64) -> bool {
    [50.0, 60.0, 100.0, 120.0]
        .iter()
        .any(|place| (hz / place - 1.0).abs() < 0.012)
}

/// An exponential from a start on, 1 to 1000 times the hum, 5 ms to the record's length.
fn settling(place: &Place, start: f64, draw: &mut Draw) -> impl Fn(f64) -> f64 + use<> {
    let height = draw.sign() * draw.spread(1.0, 1000.0) * place.hum_rms;
    let constant = draw.spread(5e-3, place.duration_s());
    move |t| {
        if t < start {
            0.0
        } else {
            height * ((start - t) / constant).exp()
        }
    }
}

/// Pulses of 0.2 to 5 ms: at random, of either sign; or a train of 3 to 40 a second.
fn pulses(kind: Content, place: &Place, draw: &mut Draw) -> Wanted {
    let mut samples = vec![0.0; place.count];
    let height = draw.spread(3.0, 300.0) * place.hum_rms;
    let width = (draw.spread(2e-4, 5e-3) * place.rate_hz).max(1.0);
    let rate = draw.spread(3.0, 40.0);
    let mut at = draw.uniform(0.0, 1.0) / rate;
    while at < place.duration_s() {
        let random = kind == Content::RandomPulses;
        let height = if random {
            height * draw.sign() * draw.uniform(0.3, 1.0)
        } else {
            height
        };
        let first = (at * place.rate_hz) as usize;
        for x in samples.iter_mut().skip(first).take(width as usize) {
            *x += height;
        }
        at += if random {
            -draw.uniform(1e-9, 1.0).ln() / rate
        } else {
            1.0 / rate
        };
    }
    Wanted {
        series: if kind == Content::PulseTrain {
            vec![rate]
        } else {
            Vec::new()
        },
        ..Wanted::plain(samples)
    }
}

/// A rotor's series: 3 to 10 orders of its speed, which wanders by some 0.05 %.
fn fan(place: &Place, (low, high): (f64, f64), draw: &mut Draw) -> Wanted {
    let hz = draw.uniform(low, high);
    let most = ((0.45 * place.rate_hz / hz) as usize).max(1);
    let orders: Vec<(f64, f64, f64)> = (1..=draw.whole(3, 10).min(most))
        .map(|k| {
            let peak = draw.spread(0.1, 1.0) * 2.0 * place.hum_rms;
            (k as f64, peak, draw.phase())
        })
        .collect();
    let (sway, slow, turn) = (5e-4 * draw.normal(), draw.uniform(0.05, 0.5), draw.phase());
    let samples = place.of_time(|t| {
        let cycles = hz * (t - sway * (TAU * slow * t + turn).cos() / (TAU * slow));
        orders
            .iter()
            .map(|(k, peak, phase)| peak * (TAU * k * cycles + phase).cos())
            .sum()
    });
    Wanted {
        series: vec![hz],
        alternating: true,
        ..Wanted::plain(samples)
    }
}

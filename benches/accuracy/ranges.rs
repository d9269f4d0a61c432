//! What the classes vary: length, strength of the hum, colour of the noise, movements, the converter.

use crate::draw::Draw;
use crate::series::{Envelope, Motion};
use crate::synthesis::Colour;

#[derive(Debug, Clone, Copy)]
pub enum Length {
    Cycles(f64),
    Seconds(f64),
    /// What the content needs.
    AsContent,
}

/// Strength of the hum.
#[derive(Debug, Clone, Copy)]
pub enum Strength {
    /// Hum over noise in the whole band, dB.
    OverNoise(f64, f64),
    /// Sum over the orders of line power over the expected periodogram of the noise.
    Lines(f64, f64),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Hue {
    White,
    OnePole,
    Pink,
    /// 1/f over the whole band.
    PinkThroughout,
    Red,
    Blue,
}

/// Ranges of hum and noise, RMS in steps of a converter.
#[derive(Debug, Clone, Copy)]
pub struct Converter {
    pub hum: (f64, f64),
    pub noise: (f64, f64),
}

#[derive(Debug, Clone, Copy)]
pub enum Moves {
    Steady,
    /// Amplitude modulation of this depth, 0.5-5 Hz.
    Modulated(f64),
    /// Random walk of the frequency between these strengths, mHz in a second.
    Walk(f64, f64),
    Sway,
    Drift,
    Generator,
    Starts,
    Stops,
    LoadStep,
}

impl Hue {
    pub fn colour(self, rate: f64, duration: f64, draw: &mut Draw) -> Colour {
        match self {
            Self::White => Colour::White,
            Self::Blue => Colour::Blue,
            Self::OnePole => Colour::OnePole {
                corner_hz: draw.spread(20.0, 0.2 * rate),
            },
            Self::Red => Colour::OnePole {
                corner_hz: draw.spread(0.3, 3.0) / duration,
            },
            Self::Pink => Colour::Pink {
                corner_hz: draw.spread(5.0, 200.0),
            },
            Self::PinkThroughout => Colour::Pink {
                corner_hz: 0.5 * rate,
            },
        }
    }
}

impl Moves {
    pub fn drawn(self, duration: f64, draw: &mut Draw) -> (Motion, Envelope) {
        let (mut motion, mut envelope) = (Motion::Steady, Envelope::Steady);
        match self {
            Self::Steady => {}
            Self::Modulated(depth) => {
                envelope = Envelope::Modulated {
                    depth,
                    hz: draw.spread(0.5, 5.0),
                    phase: draw.phase(),
                };
            }
            Self::Walk(low, high) => {
                motion = Motion::Walk {
                    hz: 1e-3 * draw.spread(low, high),
                };
            }
            Self::Sway => {
                let parts = (0..draw.whole(1, 3)).map(|_| {
                    let deviation = draw.spread(5e-3, 40e-3);
                    (deviation, draw.spread(0.03, 0.5), draw.phase())
                });
                motion = Motion::Sway(parts.collect());
            }
            Self::Drift => {
                let slope = draw.spread(1e-3, 20e-3).min(0.4 / duration);
                motion = Motion::Drift {
                    hz_per_s: draw.sign() * slope,
                };
            }
            Self::Generator => {
                motion = Motion::Drift {
                    hz_per_s: draw.sign() * draw.uniform(0.5, 2.0) / duration,
                };
            }
            Self::Starts => {
                envelope = Envelope::Span {
                    from: draw.uniform(0.15, 0.8),
                    to: 1.0,
                };
            }
            Self::Stops => {
                envelope = Envelope::Span {
                    from: 0.0,
                    to: draw.uniform(0.2, 0.85),
                };
            }
            Self::LoadStep => {
                let factor = draw.spread(1.3, 5.0);
                envelope = Envelope::Step {
                    at: draw.uniform(0.1, 0.9),
                    factor: if draw.chance(0.5) {
                        factor
                    } else {
                        1.0 / factor
                    },
                };
            }
        }
        (motion, envelope)
    }
}

//! From a class's ranges to one drawn record with its truth.

use crate::bound::Bound;
use crate::draw::Draw;
use crate::ranges::{Converter, Hue, Length, Moves, Strength};
use crate::series::{Envelope, Held, Series};
use crate::synthesis::Noise;
use crate::wanted::{Content, Place, Wanted};

/// Fewest and (commonly) most samples of a record.
const FEWEST: f64 = 100.0;
const MOST: f64 = 40_000.0;

/// Ranges from which a class draws its records.
#[derive(Debug, Clone, Copy)]
pub struct Recipe {
    pub hum: bool,
    pub length: Length,
    pub strength: Strength,
    pub hue: Hue,
    pub moves: Moves,
    pub content: Content,
    pub converter: Option<Converter>,
    /// Fewest and most orders of the series.
    pub orders: (usize, usize),
    /// Highest order asked for; `None`: the program's own.
    pub harmonics: Option<usize>,
    /// Noise of this share of its drawn strength; 0: none at all.
    pub noise: f64,
}

impl Recipe {
    pub const PLAIN: Self = Self {
        hum: true,
        length: Length::Seconds(1.0),
        strength: Strength::OverNoise(0.0, 40.0),
        hue: Hue::White,
        moves: Moves::Steady,
        content: Content::Nothing,
        converter: None,
        orders: (1, 20),
        harmonics: None,
        noise: 1.0,
    };
}

/// What a record truly holds.
pub struct Truth {
    pub nominal_hz: Option<f64>,
    pub frequency_hz: Option<f64>,
    pub hum_rms: f64,
    pub first_rms: f64,
    /// Phase of the fundamental at the first sample, degrees; `None` where there is no hum then.
    pub phase_deg: Option<f64>,
    /// The constant and the mean over the record of a wanted signal that is no line.
    pub offset: f64,
    /// `None` where the wanted signal is as broad as noise.
    pub noise: Option<Noise>,
    pub lines: Vec<f64>,
    pub series: Vec<f64>,
    /// Whether every line is known, so that others are false.
    pub lines_known: bool,
}

pub struct Trial {
    pub rate_hz: f64,
    pub samples: Vec<f64>,
    pub harmonics: Option<usize>,
    pub truth: Truth,
    pub bound: Bound,
}

impl Recipe {
    pub fn trial(&self, draw: &mut Draw) -> Trial {
        let nominal = draw.one_of(&[50.0, 60.0]);
        let fundamental = nominal + draw.uniform(-0.2, 0.2);
        let (rate, count) = self.sampling(fundamental, draw);
        let duration = count as f64 / rate;
        let level = draw.spread(1e-4, 1.0);
        let series = self.series(fundamental, level, rate, duration, draw);
        let step = self
            .converter
            .map(|c| level / draw.spread(c.hum.0, c.hum.1));
        let drive = self.drive(level, step, count, draw);
        let noise = Noise {
            rate_hz: rate,
            drive,
            colour: self.hue.colour(rate, duration, draw),
        };
        let place = Place {
            rate_hz: rate,
            count,
            fundamental_hz: fundamental,
            hum_rms: level,
            orders: series.orders.len(),
            hum: self.hum,
        };
        let wanted = self.content.made(&place, draw);
        let constant = draw.sign() * draw.spread(0.3, 30.0) * level;
        let (hum, held) = series.record(rate, count, &mut draw.0);
        let made = noise.samples(count, &mut draw.0);
        let present = f64::from(u8::from(self.hum));
        let mut samples: Vec<f64> = (0..count)
            .map(|n| constant + wanted.samples[n] + present * hum[n] + made[n])
            .collect();
        if let Some(step) = step {
            for x in &mut samples {
                *x = (*x / step).round() * step;
            }
        }
        let bound = Bound::new(self.hum.then_some(&series), held.level, &noise, count);
        let truth = self.truth(
            nominal,
            (&series, &held),
            wanted,
            constant,
            noise.rounded(step),
        );
        Trial {
            rate_hz: rate,
            samples,
            harmonics: self.harmonics,
            truth,
            bound,
        }
    }

    fn sampling(&self, fundamental: f64, draw: &mut Draw) -> (f64, usize) {
        let (lowest, shortest, longest) = self.content.reach();
        let duration = match self.length {
            Length::Cycles(cycles) => cycles / fundamental,
            Length::Seconds(seconds) => seconds,
            Length::AsContent => draw.spread(shortest, longest),
        };
        // A series of 20 to be told from what was asked for needs its 20 orders.
        let lowest = lowest.max(2.5 * self.orders.0 as f64 * fundamental);
        let low = lowest.max(FEWEST / duration);
        let high = (MOST / duration).clamp(low * 1.01, 48_000f64.max(low * 1.01));
        let rate = draw.spread(low, high).round();
        (rate, (rate * duration).round() as usize)
    }

    fn series(&self, hz: f64, level: f64, rate: f64, duration: f64, draw: &mut Draw) -> Series {
        let most = ((0.45 * rate / hz) as usize).max(1);
        let count = draw.whole(self.orders.0, self.orders.1).min(most);
        let (fall, even) = (draw.uniform(0.3, 1.5), draw.spread(0.1, 1.0));
        let weak = draw.chance(0.1);
        let mut orders: Vec<(f64, f64)> = (1..=count)
            .map(|k| {
                let share = match k {
                    1 if weak => 0.1,
                    1 => 1.0,
                    _ => draw.uniform(0.2, 1.5) * if k % 2 == 0 { even } else { 1.0 },
                };
                (share * (k as f64).powf(-fall), draw.phase())
            })
            .collect();
        let rms = (orders.iter().map(|o| o.0 * o.0).sum::<f64>() / 2.0).sqrt();
        for order in &mut orders {
            order.0 *= level / rms;
        }
        let (motion, envelope) = self.moves.drawn(duration, draw);
        let middle = if matches!(self.moves, Moves::Generator) {
            hz.round() + draw.uniform(-1.0, 1.0)
        } else {
            hz
        };
        Series {
            fundamental_hz: middle,
            orders,
            motion,
            envelope,
        }
    }

    /// RMS of the white noise behind the noise.
    fn drive(&self, level: f64, step: Option<f64>, count: usize, draw: &mut Draw) -> f64 {
        if let (Some(step), Some(converter)) = (step, self.converter) {
            return step * draw.spread(converter.noise.0, converter.noise.1);
        }
        self.noise
            * level
            * match self.strength {
                Strength::OverNoise(low, high) => 10f64.powf(-draw.uniform(low, high) / 20.0),
                Strength::Lines(low, high) => {
                    (count as f64 / (2.0 * draw.spread(low, high))).sqrt()
                }
            }
    }

    fn truth(
        &self,
        nominal: f64,
        (series, held): (&Series, &Held),
        wanted: Wanted,
        constant: f64,
        noise: Noise,
    ) -> Truth {
        let asked = self.harmonics.unwrap_or(usize::MAX);
        let present = f64::from(u8::from(self.hum)) * held.level;
        let from_start = match series.envelope {
            Envelope::Span { from, .. } => from == 0.0,
            _ => true,
        };
        let offset = constant + wanted.offset();
        let mut lines = wanted.lines;
        if self.hum {
            let all = 1..=series.orders.len();
            lines.extend(all.map(|k| k as f64 * held.mean_frequency_hz));
        }
        Truth {
            nominal_hz: self.hum.then_some(nominal),
            frequency_hz: self.hum.then_some(held.mean_frequency_hz),
            hum_rms: present * series.rms(asked),
            first_rms: present * series.rms(1),
            phase_deg: (self.hum && from_start).then(|| series.orders[0].1.to_degrees()),
            offset,
            noise: (!wanted.lively && noise.drive > 0.0).then_some(noise),
            lines,
            series: wanted.series,
            lines_known: !wanted.lively,
        }
    }
}

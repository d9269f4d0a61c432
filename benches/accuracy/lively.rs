//! Signals that live: speech-like, heart-like, music-like, chirps.

use crate::draw::Draw;
use crate::wanted::{Place, Wanted};
use std::f64::consts::TAU;

fn lively(samples: Vec<f64>) -> Wanted {
    Wanted {
        samples,
        lively: true,
        ..Wanted::default()
    }
}

/// Bursts of a pitched series (80-250 Hz, gliding) and of noise through three formants, 3 to 5 syllables a second.
pub fn speech(place: &Place, draw: &mut Draw) -> Wanted {
    let rate = place.rate_hz;
    let voice = draw.uniform(90.0, 220.0);
    let mut samples = vec![0.0; place.count];
    let mut at = 0;
    while at < place.count {
        let syllable = (draw.uniform(0.12, 0.35) * rate) as usize;
        let loud = draw.spread(0.1, 1.0);
        let voiced = draw.chance(0.7);
        let (from, to) = (
            voice * draw.uniform(0.9, 1.15),
            voice * draw.uniform(0.88, 1.1),
        );
        let mut formants = [
            (draw.uniform(300.0, 800.0), 80.0),
            (draw.uniform(900.0, 2000.0), 120.0),
            (draw.uniform(2200.0, 3000.0), 200.0),
        ]
        .map(|(hz, width)| Resonator::new(hz.min(0.45 * rate), width, rate));
        let mut turn = 0.0;
        for (i, x) in samples.iter_mut().skip(at).take(syllable).enumerate() {
            let place = i as f64 / syllable as f64;
            turn += (from + (to - from) * place) / rate;
            let pulse = turn >= 1.0;
            turn -= f64::from(u8::from(pulse));
            let excitation = match (voiced, pulse) {
                (true, pulse) => f64::from(u8::from(pulse)) * (rate / voice).sqrt(),
                (false, _) => 0.5 * draw.normal(),
            };
            let filtered: f64 = formants.iter_mut().map(|f| f.next(excitation)).sum();
            *x = loud * (std::f64::consts::PI * place).sin().powi(2) * filtered;
        }
        at += syllable + (draw.spread(0.01, 0.4) * rate) as usize;
    }
    scale(&mut samples, draw.spread(1.0, 30.0) * place.hum_rms);
    lively(samples)
}

fn scale(samples: &mut [f64], rms: f64) {
    let power: f64 = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
    if power > 0.0 {
        let factor = rms / power.sqrt();
        for x in samples {
            *x *= factor;
        }
    }
}

/// A two-pole resonance.
struct Resonator {
    a: f64,
    b: f64,
    gain: f64,
    before: (f64, f64),
}

impl Resonator {
    fn new(hz: f64, width_hz: f64, rate_hz: f64) -> Self {
        let radius = (-std::f64::consts::PI * width_hz / rate_hz).exp();
        Self {
            a: 2.0 * radius * (TAU * hz / rate_hz).cos(),
            b: -radius * radius,
            gain: 1.0 - radius,
            before: (0.0, 0.0),
        }
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.gain * x + self.a * self.before.0 + self.b * self.before.1;
        self.before = (y, self.before.0);
        y
    }
}

/// Beats 0.6 to 1.1 s apart, uneven by 5 %: a small wave, a spike of 80 ms, a broad wave; on a slow baseline.
pub fn heart(place: &Place, draw: &mut Draw) -> Wanted {
    let height = draw.spread(3.0, 100.0) * place.hum_rms;
    let period = draw.uniform(0.6, 1.1);
    let waves = [
        (-0.17, 0.10, 0.025),
        (-0.03, -0.12, 0.008),
        (0.0, 1.0, 0.010),
        (0.03, -0.25, 0.010),
        (0.25, draw.uniform(0.1, 0.35), 0.045),
    ];
    let mut samples = vec![0.0; place.count];
    let mut beat = draw.uniform(-1.0, 0.0) * period;
    while beat < place.duration_s() + 0.5 {
        for (delay, level, width) in waves {
            let middle = (beat + delay) * place.rate_hz;
            let spread = width * place.rate_hz;
            let first = (middle - 6.0 * spread).max(0.0) as usize;
            let last = ((middle + 6.0 * spread).max(0.0) as usize).min(place.count);
            for n in first..last {
                let z = (n as f64 - middle) / spread;
                samples[n] += height * level * (-0.5 * z * z).exp();
            }
        }
        beat += period * (1.0 + 0.05 * draw.normal());
    }
    let (slow, phase) = (draw.uniform(0.1, 0.3), draw.phase());
    let baseline = 0.2 * height * draw.uniform(0.0, 1.0);
    for (n, x) in samples.iter_mut().enumerate() {
        *x += baseline * (TAU * slow * n as f64 / place.rate_hz + phase).sin();
    }
    lively(samples)
}

/// A sweep from one frequency to another, through the record or over and over.
pub fn chirp(place: &Place, draw: &mut Draw) -> Wanted {
    let peak = draw.spread(1.0, 30.0) * place.hum_rms * 2f64.sqrt();
    let (from, to) = (
        draw.spread(10.0, 0.4 * place.rate_hz),
        draw.spread(10.0, 0.4 * place.rate_hz),
    );
    let length = place.duration_s() / draw.whole(1, 4) as f64;
    lively(place.of_time(|t| {
        let t = t % length;
        peak * (TAU * (from * t + 0.5 * (to - from) * t * t / length)).cos()
    }))
}

/// Chords of equally tempered notes that decay, each with its harmonics, struck a few times.
pub fn music(place: &Place, draw: &mut Draw) -> Wanted {
    let length = place.duration_s();
    let mut samples = vec![0.0; place.count];
    let mut struck = draw.uniform(-0.2, 0.2) * length;
    while struck < length {
        for _ in 0..draw.whole(2, 5) {
            let note = 440.0 * 2f64.powf((draw.whole(40, 76) as f64 - 69.0) / 12.0);
            let (decay, loud) = (draw.spread(0.3, 3.0), draw.spread(0.2, 1.0));
            for k in 1..=draw.whole(4, 10) {
                let hz = note * k as f64;
                let (phase, fall) = (draw.phase(), draw.uniform(0.8, 1.6));
                let peak = loud / (k as f64).powf(fall);
                if hz < 0.45 * place.rate_hz {
                    ring(&mut samples, place.rate_hz, struck, |t| {
                        peak * (-t * (k as f64).sqrt() / decay).exp() * (TAU * hz * t + phase).cos()
                    });
                }
            }
        }
        struck += draw.uniform(0.3, 1.5);
    }
    scale(&mut samples, draw.spread(2.0, 30.0) * place.hum_rms);
    lively(samples)
}

fn ring(samples: &mut [f64], rate_hz: f64, start_s: f64, value: impl Fn(f64) -> f64) {
    for (n, x) in samples.iter_mut().enumerate() {
        let t = n as f64 / rate_hz - start_s;
        if t >= 0.0 {
            *x += value(t);
        }
    }
}

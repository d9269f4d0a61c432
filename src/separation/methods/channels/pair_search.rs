//! Delays of two channels that are looked for together.

use super::comparison::less;
use super::joint::Record;
use super::pair::Pair;
use super::parts::{Part, apply};
use crate::spectrum::fft;
use rustfft::num_complex::Complex64;

/// Delays of one channel at most that are tried with each of the other's.
const TRIED: usize = 1024;
/// Places that are told.
const PLACES: usize = 3;
/// Power over the usual one at which a line stands out: noise does once in 5e8.
const FAR: f64 = 20.0;
/// Share of a channel's power by which two are told apart at least.
const APART: f64 = 1e-3;

/// Where two channels may stand in a target beside these other parts: gains and delays that explain most of it together, the best
/// first.
///
/// Two channels that share hum have many delays at which one of them explains much of both, and none of these is right: what they
/// explain together is looked up for all pairs of whole delays, from their correlations.
pub(super) fn places(record: &Record<'_>, beside: &[Part], pair: [Part; 2]) -> Vec<[Part; 2]> {
    let rest = match beside {
        [] => record.target.to_vec(),
        beside => less(record.target, &apply(beside, record.others)),
    };
    let Some(correlations) = Correlations::new(record, &rest, pair) else {
        return Vec::new();
    };
    let reach = record.longest.min(correlations.size / 4) as i64;
    let stride = (2 * reach + 1).unsigned_abs().div_ceil(TRIED as u64).max(1) as i64;
    let mut best: Vec<(f64, i64, i64)> = Vec::new();
    let mut first = -reach;
    while first <= reach {
        // The best of one channel's delays for each of the other's.
        let mut most = (0.0, 0, 0);
        let mut second = -reach;
        while second <= reach {
            let explained = correlations.explained(first, second);
            if explained > most.0 {
                most = (explained, first, second);
            }
            second += stride;
        }
        best.push(most);
        first += stride;
    }
    best.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut told: Vec<(i64, i64)> = Vec::new();
    for (_, first, second) in best {
        let place = correlations.climb((first, second), stride, reach);
        let near = |(a, b): &(i64, i64)| (a - place.0).abs() <= 2 && (b - place.1).abs() <= 2;
        if !told.iter().any(near) {
            told.push(place);
        }
        if told.len() == PLACES {
            break;
        }
    }
    let part = |part: Part, delay: i64, gain: f64| {
        let mut part = part;
        part.fit.delay = delay as f64;
        part.fit.gain = gain;
        part
    };
    told.into_iter()
        .map(|(first, second)| {
            let gains = correlations.gains(first, second);
            [
                part(pair[0], first, gains[0]),
                part(pair[1], second, gains[1]),
            ]
        })
        .collect()
}

/// Whether a frequency's power stands out of its neighbourhood.
fn standing_out(pair: &Pair, powers: &[f64]) -> Vec<bool> {
    let (weights, _) = pair.weights(powers);
    let usual = |power: f64, weight: f64| 0.5 * (3.0 / weight - power);
    powers
        .iter()
        .zip(weights)
        .map(|(power, weight)| *power > FAR * usual(*power, weight))
        .collect()
}

/// Weighted correlations of a target with two channels, and of these with each other, by whole lag.
struct Correlations {
    size: usize,
    target: [Vec<f64>; 2],
    between: Vec<f64>,
    powers: [f64; 2],
}

impl Correlations {
    /// The lines that stand out of the target and of a channel alone count, each by the inverse of its power in the target: one
    /// tells of the delays as much as another.
    fn new(record: &Record<'_>, rest: &[f64], parts: [Part; 2]) -> Option<Self> {
        let [one, two] = parts.map(|part| {
            let mut pair = Pair::new(rest.len(), record.longest);
            pair.load(rest, record.others[part.channel]);
            pair
        });
        let powers = |spectrum: &[Complex64]| -> Vec<f64> {
            spectrum.iter().map(Complex64::norm_sqr).collect()
        };
        let (there, of_one) = (powers(&one.target), powers(&one.other));
        let lines = [&there, &of_one, &powers(&two.other)].map(|p| standing_out(&one, p));
        let weights: Vec<f64> = (0..there.len())
            .map(|i| match lines[0][i] && (lines[1][i] || lines[2][i]) {
                true => 1.0 / there[i],
                false => 0.0,
            })
            .collect();
        let size = one.size;
        let lagged = |spectrum: Vec<Complex64>| -> Vec<f64> {
            let mut all = spectrum;
            all.resize(size, Complex64::default());
            fft::inverse_complex(size).process(&mut all);
            all.into_iter().map(|z| z.re).collect()
        };
        let lengths = [one.length(&weights), two.length(&weights)];
        let between = Pair::of_spectra(&two.other, &one).cross(&weights);
        lengths.iter().all(|p| *p > 0.0).then(|| Self {
            size,
            target: [lagged(one.cross(&weights)), lagged(two.cross(&weights))],
            between: lagged(between),
            powers: lengths,
        })
    }

    fn at(&self, values: &[f64], lag: i64) -> f64 {
        values[lag.rem_euclid(self.size as i64) as usize]
    }

    /// Gains by least squares at two delays.
    fn gains(&self, first: i64, second: i64) -> [f64; 2] {
        let (b, [p, q]) = (
            [
                self.at(&self.target[0], first),
                self.at(&self.target[1], second),
            ],
            self.powers.map(|p| p * (1.0 + APART)),
        );
        let shared = self.at(&self.between, first - second);
        let determinant = (p * q - shared * shared).max(f64::MIN_POSITIVE);
        [
            (q * b[0] - shared * b[1]) / determinant,
            (p * b[1] - shared * b[0]) / determinant,
        ]
    }

    /// Power that both explain.
    fn explained(&self, first: i64, second: i64) -> f64 {
        let gains = self.gains(first, second);
        gains[0] * self.at(&self.target[0], first) + gains[1] * self.at(&self.target[1], second)
    }

    /// The best place that steps of ever fewer samples lead to.
    fn climb(&self, from: (i64, i64), stride: i64, reach: i64) -> (i64, i64) {
        let (mut place, mut step) = (from, stride);
        let mut most = self.explained(place.0, place.1);
        while step >= 1 {
            let mut better = None;
            for (a, b) in [
                (1, 0),
                (-1, 0),
                (0, 1),
                (0, -1),
                (1, 1),
                (-1, -1),
                (1, -1),
                (-1, 1),
            ] {
                let tried = (place.0 + a * step, place.1 + b * step);
                let explained = self.explained(tried.0, tried.1);
                if tried.0.abs() <= reach && tried.1.abs() <= reach && explained > most {
                    (most, better) = (explained, Some(tried));
                }
            }
            match better {
                Some(tried) => place = tried,
                None => step /= 2,
            }
        }
        place
    }
}

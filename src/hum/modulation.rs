//! How much the hum comes and goes from cycle to cycle beside what a fit follows.
//!
//! What a change of amplitude leaves of an order turns with the order, or half a turn from it; noise and lines of another origin lie
//! in phase and in quadrature alike (quadrature demodulation: A. B. Carlson & P. B. Crilly, Communication Systems, 5th ed. 2010,
//! ch. 4). So the difference of both powers is the modulation's, however fast it is. From memory.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Fewest blocks that tell it, and fewest samples of one: orders leak into each other where blocks hold parts of a sample more or less.
const LEAST_BLOCKS: usize = 8;
const LEAST_SAMPLES: f64 = 16.0;
/// Deviations of the logarithm of the ratio of two powers from which it is seen: a ten-thousandth of records of noise.
const SEEN: f64 = 3.7;
/// Most of it, against what is steady: hum that is there for a fifth of the time. Slow content, which leaks into blocks at one place of
/// the cycle and so at one phase, is soon more.
const MOST: f64 = 4.0;
/// Power in phase over that in quadrature from which nothing but the hum is in it.
const ALONE: f64 = 4.0;

/// Mean square of what comes and goes.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Modulation {
    /// Order, and how much of it.
    pub(crate) orders: Vec<(usize, f64)>,
    /// Share of the looked-at orders' power.
    pub(crate) share: f64,
    /// Whether hardly anything else is in it.
    pub(crate) alone: bool,
}

/// A phasor's variance in phase with the order and in quadrature, and the order's own mean square amplitude.
#[derive(Debug, Clone, Copy, Default)]
struct Quadratures {
    in_phase: f64,
    across: f64,
    own: f64,
}

/// The modulation of `orders` beside a fitted `series` whose cycle is so many samples long; `rest`: what the series leaves. Empty where
/// none is seen.
pub(crate) fn modulation(series: &[f64], rest: &[f64], cycle: f64, orders: &[usize]) -> Modulation {
    if !(cycle >= 2.0) {
        return Modulation::default();
    }
    // Whole cycles.
    let block = cycle * (LEAST_SAMPLES / cycle).ceil();
    let blocks = (rest.len() as f64 / block) as usize;
    if blocks < LEAST_BLOCKS || orders.is_empty() {
        return Modulation::default();
    }
    let each: Vec<Quadratures> = orders
        .iter()
        .map(|order| quadratures(series, rest, block, *order as f64 / cycle))
        .collect();
    let sum = |of: fn(&Quadratures) -> f64| each.iter().map(of).sum::<f64>();
    let (in_phase, across, own) = (sum(|q| q.in_phase), sum(|q| q.across), sum(|q| q.own));
    let deviation = 2.0 / ((blocks - 1) as f64).sqrt();
    let seen = in_phase > across * (SEEN * deviation).exp();
    if !(seen && in_phase - across < MOST * own) {
        return Modulation::default();
    }
    let power = |q: &Quadratures| 0.5 * (q.in_phase - q.across).max(0.0);
    Modulation {
        orders: orders.iter().copied().zip(each.iter().map(power)).collect(),
        share: (in_phase - across) / own,
        alone: in_phase > ALONE * across,
    }
}

/// Of a line of so many turns a sample, from blocks of so many samples.
fn quadratures(series: &[f64], rest: &[f64], block: f64, turns: f64) -> Quadratures {
    let blocks = (rest.len() as f64 / block) as usize;
    let (mut sum, mut squares) = ([0.0; 2], [0.0; 2]);
    let mut own = 0.0;
    for number in 0..blocks {
        let (from, to) = (
            (number as f64 * block).round() as usize,
            ((number + 1) as f64 * block).round() as usize,
        );
        let turn = |n: f64| Complex64::cis(-TAU * (n * turns).fract());
        let (mut pointer, step) = (turn(from as f64), turn(1.0));
        let (mut line, mut left) = (Complex64::default(), Complex64::default());
        for (s, r) in series[from..to].iter().zip(&rest[from..to]) {
            line += pointer * s;
            left += pointer * r;
            pointer *= step;
        }
        let scale = 2.0 / (to - from) as f64;
        own += (scale * line).norm_sqr();
        let along = scale * left * line.conj() / line.norm().max(f64::MIN_POSITIVE);
        for (i, part) in [along.re, along.im].into_iter().enumerate() {
            sum[i] += part;
            squares[i] += part * part;
        }
    }
    let count = blocks as f64;
    let variance = |i: usize| (squares[i] - sum[i] * sum[i] / count) / (count - 1.0);
    Quadratures {
        in_phase: variance(0),
        across: variance(1),
        own: own / count,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const CYCLE: f64 = 40.13;

    fn hum(n: usize) -> f64 {
        let turn = TAU * n as f64 / CYCLE;
        turn.cos() + 0.5 * (3.0 * turn + 1.0).cos()
    }

    fn noise(seed: u64) -> Vec<f64> {
        let noise = StandardNormal.sample_iter(rand_chacha::ChaCha8Rng::seed_from_u64(seed));
        noise.take(4000).collect()
    }

    /// On for three cycles of seven: of the mean square of what a steady fit leaves nothing is missed.
    #[test]
    fn bursts_are_seen_in_full() {
        let series: Vec<f64> = (0..4000).map(|n| 3.0 / 7.0 * hum(n)).collect();
        let on = |n: usize| f64::from(u8::from((n as f64 / CYCLE) as usize % 7 < 3));
        let rest: Vec<f64> = (0..4000)
            .zip(noise(1))
            .map(|(n, e)| on(n) * hum(n) - series[n] + 0.3 * e)
            .collect();
        let found = modulation(&series, &rest, CYCLE, &[1, 3]);
        let truth = |own: f64| 0.5 * own * own * 3.0 / 7.0 * 4.0 / 7.0;
        assert!(found.alone);
        for ((_, power), own) in found.orders.iter().zip([1.0, 0.5]) {
            assert_relative_eq!(*power, truth(own), max_relative = 0.1);
        }
        assert_relative_eq!(found.share, 4.0 / 3.0, max_relative = 0.1);
    }

    /// Noise, a line beside an order and a frequency that wanders are none, in any of 200 records.
    #[test]
    fn noise_lines_and_turns_are_none() {
        let series: Vec<f64> = (0..4000).map(hum).collect();
        for seed in 0..200 {
            let white = noise(seed);
            let other = |n: usize, e: f64| match seed % 3 {
                0 => e,
                1 => 0.1 * e + 3.0 * (TAU * n as f64 / (CYCLE * 0.93)).cos(),
                _ => {
                    let turn = 0.2 * (n as f64 / 700.0).sin();
                    0.05 * e + turn * (hum(n + 10) - 0.1 * hum(n))
                }
            };
            let rest: Vec<f64> = white
                .iter()
                .enumerate()
                .map(|(n, e)| other(n, *e))
                .collect();
            let found = modulation(&series, &rest, CYCLE, &[1]);
            assert_eq!(found, Modulation::default(), "record {seed}");
        }
    }
}

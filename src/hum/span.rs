//! Hum that is there for a part of a record only: a load that was switched on, off, or both.

use super::presence::look;
use super::present::{Presence, Present};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Cycles of a frame, and frames that begin within one: orders do not leak into each other under a Hann window of two.
const FRAME_CYCLES: f64 = 2.0;
const FRAMES_A_CYCLE: f64 = 4.0;
/// Fewest cycles of either part.
const LEAST_ON: f64 = 6.0;
const LEAST_OFF: f64 = 1.5;
/// Orders that tell, at most, and the share of the strongest from which one does.
const MOST_ORDERS: usize = 12;
/// Multiples of half the fundamental up to half an order beyond, and what fills vector registers up.
const HALF_ORDERS: usize = 28;
const TELLING: f64 = 0.1;
/// Share of the full level above which the hum counts as on; what every frame of it reaches, and what none beyond exceeds.
const THRESHOLD: f64 = 0.5;
const ON: f64 = 0.65;
const OFF: f64 = 0.2;
/// Share of the usual mean square below which a cycle swings clearly less: hum as strong as the noise.
const APART: f64 = 0.6;
/// Quantile of the frames' amplitudes that stands for the full level.
const FULL: f64 = 0.7;
/// Cycles either side of a coarse edge within which it is placed, and those that tell how the hum goes on there.
const EDGE_CYCLES: f64 = 1.5;
const MODEL_CYCLES: f64 = 4.0;

/// The part of a record that holds the hum.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Span {
    pub(crate) samples: Range<usize>,
    /// Variance of the part's length, samples squared.
    pub(crate) length_variance: f64,
}

/// Most cycles of a record in which a part is looked for: longer ones are followed piece by piece.
const MOST_CYCLES: f64 = 650.0;

/// The one part of a record that holds a series near one of `nominals_hz`, and what its lines say; `None` where the series is
/// there throughout, nowhere, or comes and goes.
pub(crate) fn part_with_hum(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
) -> Option<(Span, Present)> {
    let slowest_hz = nominals_hz.iter().copied().fold(f64::INFINITY, f64::min);
    if samples.len() as f64 / rate_hz * slowest_hz > MOST_CYCLES {
        return None;
    }
    let (span, nominal_hz) = nominals_hz
        .iter()
        .filter_map(|hz| Some((hum_span(samples, rate_hz, *hz)?, *hz)))
        .max_by_key(|(span, _)| span.samples.len())?;
    let Presence::Present(seen) = look(&samples[span.samples], rate_hz, &[nominal_hz]) else {
        return None;
    };
    // Once more with the fundamental that the part tells.
    Some((hum_span(samples, rate_hz, seen.fundamental_hz)?, seen))
}

/// Looks for one part that holds a series of this fundamental while the rest of the record holds nothing of it; `None` where it
/// is there throughout, comes and goes, or does not stand out of a couple of cycles.
fn hum_span(samples: &[f64], rate_hz: f64, fundamental_hz: f64) -> Option<Span> {
    let cycle = rate_hz / fundamental_hz;
    let cycles = samples.len() as f64 / cycle;
    if !(cycles >= LEAST_ON + LEAST_OFF) || cycle < 8.0 {
        return None;
    }
    if !swings_apart(samples, cycle) {
        return None;
    }
    let levels = levels(samples, cycle)?;
    let first = levels.iter().position(|l| *l > THRESHOLD)?;
    let last = levels.iter().rposition(|l| *l > THRESHOLD)?;
    let hop = cycle / FRAMES_A_CYCLE;
    // A frame that an edge crosses says neither.
    let crossed = (FRAME_CYCLES * FRAMES_A_CYCLE * 0.5).ceil() as usize;
    let (inner_from, inner_to) = (
        if first == 0 { 0 } else { first + crossed },
        if last + 1 == levels.len() {
            last
        } else {
            last.checked_sub(crossed)?
        },
    );
    let off_before = first.saturating_sub(crossed);
    let off_after = (last + 1 + crossed).min(levels.len());
    if inner_from >= inner_to
        || levels[inner_from..=inner_to].iter().any(|l| *l < ON)
        || levels[..off_before].iter().any(|l| *l > OFF)
        || levels[off_after..].iter().any(|l| *l > OFF)
    {
        return None;
    }
    let centre = |frame: usize| (frame as f64 * hop + 0.5 * FRAME_CYCLES * cycle) as usize;
    let mut span = Span {
        samples: 0..samples.len(),
        length_variance: 0.0,
    };
    if first > 0 {
        let (at, variance) = edge(samples, cycle, centre(first), Side::Begin)?;
        span.samples.start = at;
        span.length_variance += variance;
    }
    if last + 1 < levels.len() {
        let (at, variance) = edge(samples, cycle, centre(last) + 1, Side::End)?;
        span.samples.end = at;
        span.length_variance += variance;
    }
    let on = span.samples.len() as f64 / cycle;
    // An edge within a frame of either end is not told from the ends' own.
    let long = |off: usize| off == 0 || off as f64 >= LEAST_OFF * cycle;
    (on >= LEAST_ON
        && on < cycles
        && long(span.samples.start)
        && long(samples.len() - span.samples.end))
    .then_some(span)
}

/// Whether some cycles swing clearly less than most do: what a part without hum would show.
fn swings_apart(samples: &[f64], cycle: f64) -> bool {
    let swings: Vec<f64> = samples
        .chunks_exact(cycle.round() as usize)
        .map(|part| {
            let mean = part.iter().sum::<f64>() / part.len() as f64;
            part.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
        })
        .collect();
    quantile(&swings, 0.0) < APART * quantile(&swings, FULL)
}

/// Sums of a stretch's samples turned back by multiples of half the fundamental: of ½, 1, 1½, and so on.
#[derive(Debug, Clone, Copy)]
struct Turned {
    re: [f64; HALF_ORDERS],
    im: [f64; HALF_ORDERS],
}

impl Turned {
    const NOTHING: Self = Self {
        re: [0.0; HALF_ORDERS],
        im: [0.0; HALF_ORDERS],
    };

    fn at(&self, half_orders: usize) -> Complex64 {
        Complex64::new(self.re[half_orders - 1], self.im[half_orders - 1])
    }

    /// Unit vectors that turn back over so many samples of a cycle of that many.
    fn back(samples: f64, cycle: f64) -> Self {
        let mut turned = Self::NOTHING;
        for j in 0..HALF_ORDERS {
            let turns = 0.5 * (j + 1) as f64 * samples / cycle;
            (turned.im[j], turned.re[j]) = (-TAU * turns.fract()).sin_cos();
        }
        turned
    }

    /// The sums of `samples`, the first of which is the record's sample `from`.
    fn of(samples: &[f64], from: usize, cycle: f64) -> Self {
        let step = Self::back(1.0, cycle);
        let mut turn = Self::back(from as f64, cycle);
        let mut sums = Self::NOTHING;
        for x in samples {
            for j in 0..HALF_ORDERS {
                let (re, im) = (turn.re[j], turn.im[j]);
                sums.re[j] += x * re;
                sums.im[j] += x * im;
                turn.re[j] = re * step.re[j] - im * step.im[j];
                turn.im[j] = re * step.im[j] + im * step.re[j];
            }
        }
        sums
    }

    fn add(&mut self, other: &Self) {
        for j in 0..HALF_ORDERS {
            self.re[j] += other.re[j];
            self.im[j] += other.im[j];
        }
    }
}

/// Level of the series in each frame, about 1 where it is fully there. A Hann window of two cycles is a constant and lines half an
/// order off, so that a frame's orders are made of the sums of the quarter cycles in it.
fn levels(samples: &[f64], cycle: f64) -> Option<Vec<f64>> {
    const BLOCKS: usize = (FRAME_CYCLES * FRAMES_A_CYCLE) as usize;
    let length = FRAME_CYCLES * cycle;
    let hop = cycle / FRAMES_A_CYCLE;
    let frames = (samples.len().checked_sub(length.round() as usize)? as f64 / hop) as usize + 1;
    let orders = ((0.4 * cycle) as usize).clamp(1, MOST_ORDERS);
    let edge = |block: usize| ((block as f64 * hop) as usize).min(samples.len());
    let blocks: Vec<Turned> = (0..frames - 1 + BLOCKS)
        .map(|b| Turned::of(&samples[edge(b)..edge(b + 1)], edge(b), cycle))
        .collect();
    let mut amplitudes = vec![vec![0.0; frames]; orders];
    for (frame, within) in blocks.windows(BLOCKS).enumerate() {
        let mut sums = Turned::NOTHING;
        within.iter().for_each(|block| sums.add(block));
        let shift = Complex64::cis(TAU * ((edge(frame) as f64 - 0.5) / length).fract());
        for (o, own) in amplitudes.iter_mut().enumerate() {
            let twice = 2 * (o + 1);
            let beside = shift.conj() * sums.at(twice - 1) + shift * sums.at(twice + 1);
            own[frame] = 4.0 * (0.5 * sums.at(twice) - 0.25 * beside).norm() / length;
        }
    }
    let full: Vec<f64> = amplitudes.iter().map(|own| quantile(own, FULL)).collect();
    let strongest = full.iter().copied().fold(0.0, f64::max);
    if !(strongest > 0.0) {
        return None;
    }
    let weights: Vec<f64> = full
        .iter()
        .map(|f| if *f > TELLING * strongest { *f } else { 0.0 })
        .collect();
    let norm: f64 = weights.iter().map(|w| w * w).sum();
    Some(
        (0..frames)
            .map(|frame| {
                weights
                    .iter()
                    .zip(&amplitudes)
                    .map(|(w, own)| w * own[frame])
                    .sum::<f64>()
                    / norm
            })
            .collect(),
    )
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

#[derive(Clone, Copy, PartialEq)]
enum Side {
    Begin,
    End,
}

/// Where the hum begins or ends near a place, and the variance of that: the likelihood of each sample being the first (the last)
/// that holds the series as it stands in the cycles next to it.
fn edge(samples: &[f64], cycle: f64, near: usize, side: Side) -> Option<(usize, f64)> {
    let reach = (EDGE_CYCLES * cycle) as usize;
    let model = (MODEL_CYCLES * cycle).round() as usize;
    let (from, to) = (
        near.saturating_sub(reach),
        (near + reach).min(samples.len()),
    );
    // The cycles that tell lie wholly within the hum.
    let told = match side {
        Side::Begin => to..(to + model).min(samples.len()),
        Side::End => from.saturating_sub(model)..from,
    };
    if told.len() < model {
        return None;
    }
    let orders = ((0.45 * cycle) as usize).clamp(1, 40);
    let mean = samples[told.clone()].iter().sum::<f64>() / model as f64;
    let lines: Vec<Complex64> = (1..=orders)
        .map(|order| {
            let sum: Complex64 = told
                .clone()
                .map(|n| {
                    Complex64::from_polar(samples[n] - mean, -TAU * order as f64 * turns(n, cycle))
                })
                .sum();
            2.0 * sum / model as f64
        })
        .collect();
    let series = |n: usize| -> f64 {
        lines
            .iter()
            .enumerate()
            .map(|(o, c)| {
                (c * Complex64::from_polar(1.0, TAU * (o + 1) as f64 * turns(n, cycle))).re
            })
            .sum()
    };
    let left = told
        .clone()
        .map(|n| (samples[n] - mean - series(n)).powi(2))
        .sum::<f64>()
        / (model.saturating_sub(2 * orders + 1)).max(1) as f64;
    let swing = lines.iter().map(|c| 0.5 * c.norm_sqr()).sum::<f64>();
    let noise = left.max(1e-9 * swing).max(f64::MIN_POSITIVE);
    // Gain of the log likelihood by holding the series from each sample on.
    let gains: Vec<f64> = (from..to)
        .map(|n| {
            let (x, s) = (samples[n] - mean, series(n));
            (x * s - 0.5 * s * s) / noise
        })
        .collect();
    let total: f64 = gains.iter().sum();
    let mut before = 0.0;
    let mut scores: Vec<f64> = Vec::with_capacity(gains.len() + 1);
    scores.push(if side == Side::Begin { total } else { 0.0 });
    for gain in &gains {
        before += gain;
        scores.push(if side == Side::Begin {
            total - before
        } else {
            before
        });
    }
    let best = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (mut sum, mut place, mut square) = (0.0, 0.0, 0.0);
    for (i, score) in scores.iter().enumerate() {
        let p = (score - best).exp();
        sum += p;
        place += p * i as f64;
        square += p * (i * i) as f64;
    }
    let mean_place = place / sum;
    let variance = (square / sum - mean_place * mean_place).max(0.0) + 1.0 / 12.0;
    Some((from + mean_place.round() as usize, variance))
}

/// Cycles since the first sample, of which whole ones do not matter.
fn turns(sample: usize, cycle: f64) -> f64 {
    (sample as f64 / cycle).fract()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn record(on: Range<usize>, noise: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..10_000)
            .map(|n| {
                let t = TAU * (50.03 * n as f64 / 1e4).fract();
                let hum = if on.contains(&n) {
                    t.cos() + 0.5 * (3.0 * t + 1.0).cos()
                } else {
                    0.0
                };
                hum + noise * (rng.random::<f64>() - 0.5) + 0.4
            })
            .collect()
    }

    #[test]
    fn parts_are_found_to_a_few_samples() {
        for (seed, on) in [0..4321, 3210..10_000, 1500..7777].into_iter().enumerate() {
            let found = hum_span(&record(on.clone(), 0.3, seed as u64), 1e4, 50.03).unwrap();
            for (own, truth) in [(found.samples.start, on.start), (found.samples.end, on.end)] {
                assert!(own.abs_diff(truth) <= 12, "{found:?} for {on:?}");
            }
        }
    }

    #[test]
    fn what_is_there_throughout_or_nowhere_has_no_part() {
        for seed in 0..20 {
            assert_eq!(hum_span(&record(0..10_000, 1.0, seed), 1e4, 50.03), None);
            assert_eq!(hum_span(&record(0..0, 1.0, seed), 1e4, 50.03), None);
        }
    }

    #[test]
    fn a_load_step_is_no_part() {
        let weak = record(0..10_000, 0.1, 3);
        let strong = record(4000..10_000, 0.1, 4);
        let both: Vec<f64> = weak.iter().zip(&strong).map(|(a, b)| 0.5 * a + b).collect();
        assert_eq!(hum_span(&both, 1e4, 50.03), None);
    }
}

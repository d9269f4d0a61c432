//! What a record holds beside interference: slow content, steps, and passing events.
//!
//! Steps part the record; between them slow content is a smooth line; events are samples that differ from the cycle before
//! and from the cycle after by far more than most do. All three are taken out or left out before the series and the noise are
//! read, and told.

use super::line_spectrum::{LineSpectrum, rises_below};
use super::smooth_line::smooth_line;
use crate::stats::{median, rms_about_mean, span};

/// Share of the nominal frequency below which taking slow content off leaves neither lines nor noise to read.
pub(crate) const SLOW_TO: f64 = 0.4;
/// Knots of the smooth line, cycles apart.
const KNOT_CYCLES: f64 = 2.0;
/// Cycles below which nothing is looked for.
const LEAST_CYCLES: f64 = 6.0;
/// Times the usual change from cycle mean to cycle mean from which one is a step.
const STEP: f64 = 9.0;
/// Cycles from a step within which its own flank, two cycles off and one wide, may be taken for another.
const FLANK: f64 = 4.0;
/// Most steps that part a record: of more, each is what the record is like.
const MOST_STEPS: usize = 5;
/// Deviations (from the median) beyond which a sample is an event's: of Gaussian noise less than one in ten million.
const EVENT: f64 = 8.0;
/// Places in a cycle that are told apart, and the share of the cycles in which one has to stand out to be the hum's own.
const PLACES: usize = 128;
const OWN: f64 = 0.25;
/// Share of a cycle left out around an event or a step.
const MARGIN: f64 = 0.05;
/// Largest share of the record that is left out: beyond, the events are what the record is.
const MOST_LEFT_OUT: f64 = 0.4;

/// Steps of the converter up to which rounding alone changes a sample from cycle to cycle, and moves a line through them.
const ROUNDED_CHANGE: f64 = 1.5;
const ROUNDED_SPAN: f64 = 0.5;

/// What was found.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Foreground {
    /// Slow content less its mean; empty where there is none.
    pub(crate) slow: Vec<f64>,
    /// Samples left out; empty where there are none.
    pub(crate) left_out: Vec<bool>,
    /// Where the record steps.
    pub(crate) steps: Vec<usize>,
    /// Smallest to largest value of the slow content.
    pub(crate) slow_span: f64,
    /// Samples left out for events, the place of the first.
    pub(crate) events: usize,
    pub(crate) first_event: Option<usize>,
}

impl Foreground {
    pub(crate) fn is_empty(&self) -> bool {
        self.slow.is_empty() && self.events == 0
    }
}

/// Looks for what is not interference in evenly spaced, finite samples from which hum of one of `nominals_hz` was taken out;
/// `step`: that of the converter, 0 where it is not known.
pub(crate) fn foreground(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
    step: f64,
) -> Foreground {
    let lowest = nominals_hz.iter().copied().fold(f64::INFINITY, f64::min);
    if !seen_over(samples.len(), rate_hz / lowest) {
        return Foreground::default();
    }
    // Against the cycles before and after, slow content hardly shows: events first.
    let cycle = likelier_cycle(samples, rate_hz, nominals_hz);
    let (marked, count, first) = events(samples, cycle, ROUNDED_CHANGE * step);
    let mut found = if marked.contains(&true) {
        let mut rest = samples.to_vec();
        bridge(&mut rest, &marked);
        slow_content(&rest, rate_hz, nominals_hz, step, None)
    } else {
        slow_between(samples, rate_hz, (lowest, cycle), step, None)
    };
    if count > 0 {
        found.left_out.resize(samples.len(), false);
        for (out, marked) in found.left_out.iter_mut().zip(&marked) {
            *out |= marked;
        }
        (found.events, found.first_event) = (count, first);
    }
    if count > 0 && !found.slow.is_empty() {
        let spacing = KNOT_CYCLES * rate_hz / lowest;
        found.slow = line_between(samples, &found.left_out, &found.steps, spacing);
        take_mean_off(&mut found.slow);
    }
    found
}

/// Whether what is marked is little of a record and holds, beside a bridge over it, more than all of the rest: a series fitted with
/// it is its own.
pub(crate) fn outweighs(samples: &[f64], marked: &[bool]) -> bool {
    let out = marked.iter().filter(|out| **out).count();
    if out == 0 || out as f64 > OUTWEIGHS_IN * samples.len() as f64 {
        return false;
    }
    let mut calm = samples.to_vec();
    bridge(&mut calm, marked);
    let apart = samples.iter().zip(&calm).map(|(x, c)| (x - c).powi(2));
    apart.sum::<f64>() > OUTWEIGHS * rms_about_mean(&calm).powi(2) * calm.len() as f64
}

/// Replaces marked samples by a straight line between their neighbours' means.
pub(crate) fn bridge(samples: &mut [f64], marked: &[bool]) {
    let count = samples.len().min(marked.len());
    let mut n = 0;
    while n < count {
        if !marked[n] {
            n += 1;
            continue;
        }
        let from = n;
        while n < count && marked[n] {
            n += 1;
        }
        let side = |range: std::ops::Range<usize>| {
            let own = range.filter(|&i| !marked[i]).map(|i| samples[i]);
            let (sum, count) = own.fold((0.0, 0usize), |(s, c), x| (s + x, c + 1));
            (count > 0).then(|| sum / count as f64)
        };
        let before = side(from.saturating_sub(BRIDGE_FROM)..from);
        let after = side(n..(n + BRIDGE_FROM).min(count));
        let (left, right) = match (before, after) {
            (Some(l), Some(r)) => (l, r),
            (one, other) => {
                let only = one.or(other).unwrap_or(0.0);
                (only, only)
            }
        };
        let length = (n - from + 1) as f64;
        for (i, x) in samples[from..n].iter_mut().enumerate() {
            *x = left + (right - left) * (i + 1) as f64 / length;
        }
    }
}

/// Share of a record that may be bridged without its hum, and power of events over that of all else from which they outweigh it.
const OUTWEIGHS_IN: f64 = 0.1;
const OUTWEIGHS: f64 = 1000.0;

/// Samples either side of a gap whose mean it is bridged from.
const BRIDGE_FROM: usize = 4;

fn take_mean_off(line: &mut [f64]) {
    let mean = line.iter().sum::<f64>() / line.len().max(1) as f64;
    for s in line {
        *s -= mean;
    }
}

/// Whether a record is long enough, and sampled finely enough, for cycles to be compared.
fn seen_over(count: usize, cycle: f64) -> bool {
    count as f64 >= LEAST_CYCLES * cycle && cycle >= 4.0
}

/// Slow content and steps alone, hum still in the samples; `step`: that of the converter, 0 where it is not known, `spectrum`:
/// the samples', where it was made before.
pub(crate) fn slow_content(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
    step: f64,
    spectrum: Option<&LineSpectrum>,
) -> Foreground {
    let count = samples.len();
    let lowest = nominals_hz.iter().copied().fold(f64::INFINITY, f64::min);
    let cycle = rate_hz / lowest;
    if !seen_over(count, cycle) {
        return Foreground::default();
    }
    let cycle = likelier_cycle(samples, rate_hz, nominals_hz);
    slow_between(samples, rate_hz, (lowest, cycle), step, spectrum)
}

/// The same of a record that repeats after `cycle` samples, the mains being of `lowest` Hz at least.
fn slow_between(
    samples: &[f64],
    rate_hz: f64,
    (lowest, cycle): (f64, f64),
    step: f64,
    spectrum: Option<&LineSpectrum>,
) -> Foreground {
    let count = samples.len();
    let mut found = Foreground::default();
    let steps = steps(samples, cycle);
    let rises = || match spectrum {
        Some(spectrum) => spectrum.rises_below(lowest),
        None => rises_below(samples, rate_hz, lowest),
    };
    if !steps.is_empty() || rises() {
        let margin = (MARGIN * cycle).ceil() as usize + 1;
        let mut skip = vec![false; count];
        for &at in &steps {
            skip[at.saturating_sub(margin)..(at + margin).min(count)].fill(true);
        }
        found.slow = line_between(samples, &skip, &steps, KNOT_CYCLES * rate_hz / lowest);
        take_mean_off(&mut found.slow);
        found.slow_span = span(&found.slow);
        if found.slow_span < ROUNDED_SPAN * step {
            return Foreground::default();
        }
        if !steps.is_empty() {
            found.left_out = skip;
        }
        found.steps = steps;
    }
    found
}

/// Samples a cycle of the nominal frequency after whose cycle the record repeats better.
fn likelier_cycle(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> f64 {
    let usual = |cycle: f64| {
        let lag = cycle.round() as usize;
        let mut changes: Vec<f64> = samples
            .iter()
            .zip(samples.iter().skip(lag))
            .step_by((samples.len() / 4096).max(1))
            .map(|(a, b)| (b - a).abs())
            .collect();
        median(&mut changes)
    };
    nominals_hz
        .iter()
        .map(|hz| rate_hz / hz)
        .min_by(|a, b| usual(*a).total_cmp(&usual(*b)))
        .unwrap_or(rate_hz / 50.0)
}

/// Running sums that give the mean over any stretch, whole samples and parts of them.
struct Sums(Vec<f64>);

impl Sums {
    fn new(samples: &[f64]) -> Self {
        let mut sums = Vec::with_capacity(samples.len() + 1);
        let mut sum = 0.0;
        sums.push(0.0);
        for x in samples {
            sum += x;
            sums.push(sum);
        }
        Self(sums)
    }

    fn at(&self, place: f64) -> f64 {
        let i = (place.max(0.0) as usize).min(self.0.len() - 2);
        let part = (place - i as f64).clamp(0.0, 1.0);
        self.0[i] + part * (self.0[i + 1] - self.0[i])
    }

    /// Mean from `place` on over `length`.
    fn mean(&self, place: f64, length: f64) -> f64 {
        (self.at(place + length) - self.at(place)) / length
    }
}

/// Places where the mean over a cycle jumps, other than a smooth change explains.
fn steps(samples: &[f64], cycle: f64) -> Vec<usize> {
    let count = samples.len();
    let sums = Sums::new(samples);
    let stride = ((cycle / 16.0) as usize).max(1);
    let jump = |at: f64| sums.mean(at, cycle) - sums.mean(at - cycle, cycle);
    let edge = 3.0 * cycle;
    let places: Vec<usize> = (0..count)
        .step_by(stride)
        .filter(|&n| n as f64 >= edge && n as f64 + edge <= count as f64)
        .collect();
    // Against the changes two cycles before and after: a slope shows there as well.
    let sudden: Vec<f64> = places
        .iter()
        .map(|&n| {
            let at = n as f64;
            jump(at) - 0.5 * (jump(at - 2.0 * cycle) + jump(at + 2.0 * cycle))
        })
        .collect();
    let mut sizes: Vec<f64> = sudden.iter().map(|s| s.abs()).collect();
    let limit = STEP * median(&mut sizes) / 0.6745;
    if !(limit > 0.0) {
        return Vec::new();
    }
    let mut order: Vec<usize> = (0..places.len())
        .filter(|&i| sudden[i].abs() > limit)
        .collect();
    order.sort_by(|&a, &b| sudden[b].abs().total_cmp(&sudden[a].abs()));
    let mut found: Vec<usize> = Vec::new();
    for i in order {
        let at = edge_near(samples, places[i], cycle);
        // What stands beside a larger step is that step's own flank.
        if found.iter().all(|&f| f.abs_diff(at) as f64 > FLANK * cycle) {
            found.push(at);
        }
        if found.len() > MOST_STEPS {
            return Vec::new();
        }
    }
    found.sort_unstable();
    found
}

/// The sample at which the change against a cycle before is most sudden, within half a cycle.
fn edge_near(samples: &[f64], place: usize, cycle: f64) -> usize {
    let lag = cycle.round() as usize;
    let width = (lag / 16).max(1);
    let (from, to) = (
        place.saturating_sub(lag / 2).max(lag + width),
        (place + lag / 2).min(samples.len().saturating_sub(width + 1)),
    );
    let change = |n: usize| {
        let mean = |from: usize| {
            (from..from + width)
                .map(|i| samples[i] - samples[i - lag])
                .sum::<f64>()
        };
        (mean(n) - mean(n - width)).abs()
    };
    (from..to)
        .max_by(|&a, &b| change(a).total_cmp(&change(b)))
        .unwrap_or(place)
}

/// The smooth line of each part between steps.
fn line_between(samples: &[f64], skip: &[bool], steps: &[usize], spacing: f64) -> Vec<f64> {
    let mut ends = steps.to_vec();
    ends.push(samples.len());
    let mut from = 0;
    let mut line = Vec::with_capacity(samples.len());
    for to in ends {
        line.extend(smooth_line(&samples[from..to], &skip[from..to], spacing));
        from = to;
    }
    line
}

/// Samples that differ from the cycle before and the one after by far more than most do; how
/// many, and the first. What differs by less than `least_change` is none.
fn events(samples: &[f64], cycle: f64, least_change: f64) -> (Vec<bool>, usize, Option<usize>) {
    let count = samples.len();
    let lag = cycle.round() as usize;
    let change = |n: usize, other: usize| (samples[n] - samples[other]).abs();
    let least = |n: usize| match (n.checked_sub(lag), n + lag < count) {
        (Some(before), true) => change(n, before).min(change(n, n + lag)),
        (Some(before), false) => change(n, before).min(change(n, before.saturating_sub(lag))),
        (None, _) => change(n, n + lag).min(change(n, (n + 2 * lag).min(count - 1))),
    };
    let changes: Vec<f64> = (0..count).map(least).collect();
    let mut some: Vec<f64> = changes
        .iter()
        .step_by((count / 8192).max(1))
        .copied()
        .collect();
    let mut marked = vec![false; count];
    // The lesser of two magnitudes of Gaussian changes of one sample has its median at half a deviation or so.
    let deviation = median(&mut some) / LESSER_MEDIAN;
    if !(deviation > 0.0) {
        return (marked, 0, None);
    }
    let margin = (MARGIN * cycle).ceil() as usize + 1;
    let mut limit = (EVENT * deviation).max(least_change);
    loop {
        let own = own_places(&changes, limit, cycle);
        let place = |n: usize| ((n as f64 / cycle).fract() * PLACES as f64) as usize % PLACES;
        let out: Vec<usize> = (0..count)
            .filter(|&n| changes[n] > limit && !own[place(n)])
            .collect();
        let mut until = 0;
        let mut events = 0;
        for &n in &out {
            let (from, to) = (
                n.saturating_sub(margin).max(until),
                (n + margin + 1).min(count),
            );
            events += to.saturating_sub(from);
            until = until.max(to);
        }
        if events as f64 <= MOST_LEFT_OUT * count as f64 {
            for &n in &out {
                marked[n.saturating_sub(margin)..(n + margin + 1).min(count)].fill(true);
            }
            return (marked, events, out.first().copied());
        }
        limit *= 1.5;
    }
}

/// Places in the cycle at which so many cycles stand out that it is the hum's own waveform that moves there.
fn own_places(changes: &[f64], limit: f64, cycle: f64) -> [bool; PLACES] {
    let mut counts = [0usize; PLACES];
    let mut last = [usize::MAX; PLACES];
    for n in (0..changes.len()).filter(|&n| changes[n] > limit) {
        let turns = n as f64 / cycle;
        let (turn, place) = (
            turns as usize,
            (turns.fract() * PLACES as f64) as usize % PLACES,
        );
        if last[place] != turn {
            counts[place] += 1;
            last[place] = turn;
        }
    }
    let most = OWN * changes.len() as f64 / cycle;
    std::array::from_fn(|i| counts[i] as f64 > most)
}

/// Median of min(|a − b|, |a − c|) for independent Gaussian a, b, c of deviation 1 (integrated numerically).
const LESSER_MEDIAN: f64 = 0.549;

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    fn noise(seed: u64) -> impl Iterator<Item = f64> {
        StandardNormal.sample_iter(ChaCha8Rng::seed_from_u64(seed))
    }

    fn found(seed: u64, extra: impl Fn(usize) -> f64) -> Foreground {
        let record: Vec<f64> = (0..10_000)
            .zip(noise(seed))
            .map(|(n, x)| 0.5 * (TAU * 50.03 * n as f64 / 5000.0).cos() + x + extra(n))
            .collect();
        foreground(&record, 5000.0, &[50.0, 60.0], 0.0)
    }

    #[test]
    fn plain_hum_has_no_foreground() {
        for seed in 0..20 {
            assert!(found(seed, |_| 0.0).is_empty());
        }
    }

    #[test]
    fn a_step_is_found_to_the_sample() {
        let found = found(1, |n| if n >= 4321 { 60.0 } else { 0.0 });
        assert_eq!(found.steps.len(), 1);
        assert!(found.steps[0].abs_diff(4321) <= 3, "{:?}", found.steps);
        assert_relative_eq!(found.slow_span, 60.0, epsilon = 3.0);
    }

    #[test]
    fn pulses_are_left_out() {
        let found = found(2, |n| if n % 3100 < 15 && n > 100 { 200.0 } else { 0.0 });
        assert!(found.events > 45 && found.events < 120, "{}", found.events);
        assert!(found.left_out[3105] && !found.left_out[5000]);
    }

    #[test]
    fn the_median_of_the_lesser_change_is_as_stated() {
        let drawn: Vec<f64> = noise(3).take(600_003).collect();
        let triples = drawn.as_chunks::<3>().0.iter();
        let mut lesser: Vec<f64> = triples
            .map(|[a, b, c]| (a - b).abs().min((a - c).abs()))
            .collect();
        assert_relative_eq!(median(&mut lesser), LESSER_MEDIAN, epsilon = 0.01);
    }
}

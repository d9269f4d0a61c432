//! Lone samples far off all others: what a logger writes for a lost one, or a contact that bounces once.
//!
//! One sample of 10⁵ times the hum is the whole of a least-squares fit. It says nothing of the record, so that it counts as missing.

use crate::stats::median;
use std::ops::Range;

/// Distance from the mean of the neighbours over its usual magnitude from which a sample stands off.
const FAR: f64 = 40.0;
/// Times that it has to be the largest of such distances among so many samples on either side: a signal that sets in goes on.
const OVER_NEXT: f64 = 8.0;
const NEXT: usize = 16;
/// Height over the usual distance of samples from their median, from which what stands off is no wanted pulse beside hum, and that
/// beyond which no converter of 32 bits reaches.
const TALL: f64 = 30.0;
const TALLEST: f64 = 4e9;
/// Samples that may stand off together, and those on either side whose mean they are held against.
const TOGETHER: usize = 3;
const BESIDE: usize = 4;
/// Share of the height by which the levels on either side may differ: a step is none.
const STEP: f64 = 0.2;
/// Share of the height from which a sample is part of it.
const PART: f64 = 0.02;
/// Most of them a second, beside one: what comes with every few cycles of the mains is no accident.
const MOST_PER_S: f64 = 1.0;
/// Fewest samples among which one can be lone, and those that its usual magnitude is read from.
const LEAST_SAMPLES: usize = 64;
const LOOKED_AT: usize = 8192;

/// What was left out.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Lone {
    pub(crate) samples: usize,
    /// Index of the first.
    pub(crate) first: usize,
}

/// Marks lone samples as missing.
pub(crate) fn leave_out_lone(samples: &mut [f64], rate_hz: f64) -> Lone {
    if samples.len() < LEAST_SAMPLES {
        return Lone::default();
    }
    let off = |n: usize| (samples[n] - 0.5 * (samples[n - 1] + samples[n + 1])).abs();
    let inner = 1..samples.len() - 1;
    let mut some: Vec<f64> = inner
        .clone()
        .step_by((samples.len() / LOOKED_AT).max(1))
        .map(off)
        .filter(|d| d.is_finite())
        .collect();
    let limit = FAR * median(&mut some);
    if !(limit > 0.0) {
        return Lone::default();
    }
    let heights = usual_distance(samples);
    let heights = TALL * heights..TALLEST * heights;
    let mut places: Vec<usize> = Vec::new();
    let mut found = 0usize;
    let mut n = inner.start;
    while n < inner.end {
        if !(off(n) > limit) {
            n += 1;
            continue;
        }
        // The neighbours of what stands off stand off too, but not one half-way up.
        let from = n;
        while n < inner.end && (off(n) > limit || (n + 1 < inner.end && off(n + 1) > limit)) {
            n += 1;
        }
        found += 1;
        let largest = |range: Range<usize>| {
            let own = range.filter(|i| inner.contains(i)).map(off);
            own.filter(|d| d.is_finite()).fold(0.0, f64::max)
        };
        let next = largest(from.saturating_sub(NEXT)..from).max(largest(n..n + NEXT));
        if largest(from..n) > OVER_NEXT * next {
            places.extend(lone(samples, from..n, &heights).unwrap_or_default());
        }
    }
    let duration_s = samples.len() as f64 / rate_hz;
    if found as f64 > 1.0 + MOST_PER_S * duration_s {
        return Lone::default();
    }
    for &place in &places {
        samples[place] = f64::NAN;
    }
    Lone {
        samples: places.len(),
        first: places.first().copied().unwrap_or_default(),
    }
}

/// Median distance of samples from their median.
fn usual_distance(samples: &[f64]) -> f64 {
    let step = (samples.len() / LOOKED_AT).max(1);
    let some = samples.iter().step_by(step).copied();
    let mut some: Vec<f64> = some.filter(|x| x.is_finite()).collect();
    let centre = median(&mut some);
    some.iter_mut().for_each(|x| *x = (*x - centre).abs());
    median(&mut some)
}

/// The samples within a range that stand alone; `None` where they are too many or not of such a height, or the level changes there.
fn lone(samples: &[f64], range: Range<usize>, heights: &Range<f64>) -> Option<Vec<usize>> {
    let (from, to) = (range.start, range.end);
    if to - from > TOGETHER + 2 {
        return None;
    }
    let level = |range: Range<usize>| {
        let own = samples.get(range)?;
        let mean = own.iter().sum::<f64>() / own.len().max(1) as f64;
        (!own.is_empty() && mean.is_finite()).then_some(mean)
    };
    let before = level(from.saturating_sub(BESIDE)..from);
    let after = level(to..(to + BESIDE).min(samples.len()));
    let (before, after) = (before.or(after)?, after.or(before)?);
    let middle = 0.5 * (before + after);
    let height = samples[from..to]
        .iter()
        .fold(0.0, |most: f64, x| most.max((x - middle).abs()));
    if (before - after).abs() > STEP * height || !heights.contains(&height) {
        return None;
    }
    let is_part = |n: &usize| (samples[*n] - middle).abs() > PART * height;
    let own: Vec<usize> = (from..to).filter(is_part).collect();
    (own.len() <= TOGETHER).then_some(own)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 1000.0;

    fn hum() -> Vec<f64> {
        (0..2000)
            .map(|n| (TAU * 50.0 * f64::from(n) / RATE_HZ).sin())
            .collect()
    }

    #[test]
    fn lone_samples_are_left_out_and_no_others() {
        let mut samples = hum();
        samples[700] -= 1e6;
        samples[1201] += 1e3;
        samples[1202] += 2e3;
        // A wanted pulse.
        samples[400] += 9.0;
        let found = leave_out_lone(&mut samples, RATE_HZ);
        assert_eq!((found.samples, found.first), (3, 700));
        let missing: Vec<usize> = (0..2000).filter(|&n| samples[n].is_nan()).collect();
        assert_eq!(missing, [700, 1201, 1202]);
    }

    #[test]
    fn steps_and_what_comes_with_the_mains_stay() {
        let mut step = hum();
        step[900..].iter_mut().for_each(|x| *x += 1e4);
        let mut spikes = hum();
        (5..2000).step_by(20).for_each(|n| spikes[n] += 1e3);
        for samples in [step, spikes, hum()] {
            let mut marked = samples.clone();
            assert_eq!(leave_out_lone(&mut marked, RATE_HZ), Lone::default());
            assert_eq!(marked, samples);
        }
    }
}

//! The samples that the tracks are fitted to, at a rate lowered where the record is long.

use super::input::TrackInput;
use crate::spectrum::Decimator;

/// Samples below which the rate is left as it is.
const ENOUGH: usize = 4_000;
/// Samples a cycle of the highest order that the lowered rate keeps at least.
const LEAST_PER_CYCLE: f64 = 3.4;

/// Evenly spaced samples with the trust put in each.
#[derive(Debug, Clone)]
pub(super) struct Record {
    pub(super) samples: Vec<f64>,
    /// 0 to 1.
    pub(super) trust: Vec<f64>,
    /// Time of the first of them, s after the input's first.
    pub(super) start_s: f64,
    pub(super) step_s: f64,
    /// Step of the input, s.
    pub(super) sample_s: f64,
    /// Length of the input, s.
    pub(super) duration_s: f64,
    lowering: Option<(Decimator, f64)>,
}

impl Record {
    pub(super) fn new(input: &TrackInput) -> Option<Self> {
        let count = input.samples.len();
        let duration_s = count as f64 / input.rate_hz;
        let highest = input.fundamental_hz * input.orders as f64;
        let by_length = count / ENOUGH;
        let by_rate = (input.rate_hz / (LEAST_PER_CYCLE * highest)) as usize;
        let factor = by_length.min(by_rate).max(1);
        let trust = |i: usize| input.weights.map_or(1.0, |w| w[i].clamp(0.0, 1.0));
        if factor < 2 {
            return Some(Self {
                samples: input.samples.to_vec(),
                trust: (0..count).map(trust).collect(),
                start_s: 0.0,
                step_s: 1.0 / input.rate_hz,
                sample_s: 1.0 / input.rate_hz,
                duration_s,
                lowering: None,
            });
        }
        let mut decimator = Decimator::new(factor);
        let first = decimator.first_centre();
        let mut samples = Vec::new();
        match input.weights {
            None => decimator.push(input.samples, &mut samples),
            Some(weights) => decimator.push(&bridged(input.samples, weights), &mut samples),
        }
        let least = |i: usize| {
            let middle = first as usize + i * factor;
            let span = middle.saturating_sub(2 * factor)..(middle + 2 * factor + 1).min(count);
            span.map(trust).fold(1.0, f64::min)
        };
        Some(Self {
            trust: (0..samples.len()).map(least).collect(),
            samples,
            start_s: first / input.rate_hz,
            step_s: factor as f64 / input.rate_hz,
            sample_s: 1.0 / input.rate_hz,
            duration_s,
            lowering: Some((decimator, input.rate_hz)),
        })
    }

    #[inline(always)]
    pub(super) fn time_s(&self, index: usize) -> f64 {
        self.start_s + index as f64 * self.step_s
    }

    /// What the lowering of the rate leaves of a sine.
    pub(super) fn gain(&self, frequency_hz: f64) -> f64 {
        self.lowering
            .as_ref()
            .map_or(1.0, |(decimator, rate)| decimator.gain(frequency_hz / rate))
    }

    /// What it makes of an exponential.
    pub(super) fn settling_gain(&self, time_constant_s: f64) -> f64 {
        let Some((decimator, rate)) = &self.lowering else {
            return 1.0;
        };
        let middle = decimator.first_centre();
        let shape: Vec<f64> = (0..=2 * middle.ceil() as usize)
            .map(|i| ((middle - i as f64) / (rate * time_constant_s)).exp())
            .collect();
        let mut out = Vec::new();
        decimator.clone().run(&shape, &mut out);
        out.first()
            .copied()
            .filter(|g| g.is_finite())
            .unwrap_or(1.0)
    }
}

/// The samples with a straight line across those that are not trusted by half.
fn bridged(samples: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut out = samples.to_vec();
    let mut last = None;
    let mut i = 0;
    while i < out.len() {
        if weights[i] >= 0.5 {
            last = Some(i);
            i += 1;
            continue;
        }
        let next = (i..out.len()).find(|&j| weights[j] >= 0.5);
        let end = next.unwrap_or(out.len());
        let (from, to) = match (last, next) {
            (Some(a), Some(b)) => (out[a], out[b]),
            (Some(a), None) => (out[a], out[a]),
            (None, Some(b)) => (out[b], out[b]),
            (None, None) => (0.0, 0.0),
        };
        let span = (end - i + 1) as f64;
        for (step, value) in out[i..end].iter_mut().enumerate() {
            *value = from + (to - from) * (step + 1) as f64 / span;
        }
        i = end;
    }
    out
}

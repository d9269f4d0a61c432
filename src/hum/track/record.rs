//! The samples that the tracks are fitted to, at a rate lowered where the record is long.

use crate::numeric::bridge;
use crate::spectrum::Decimator;

/// Samples below which the rate is left as it is.
const ENOUGH: usize = 4_000;
/// Samples a cycle of the highest order that the lowered rate keeps at least.
const LEAST_PER_CYCLE: f64 = 3.4;

/// A record and what is known of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TrackInput<'a> {
    /// Finite, evenly spaced.
    pub(crate) samples: &'a [f64],
    /// Trust in each sample, 0 to 1; all 1 where absent.
    pub(crate) weights: Option<&'a [f64]>,
    pub(crate) rate_hz: f64,
    /// Fundamental to start from, within a few tenths of a hertz or a bin of the record.
    pub(crate) fundamental_hz: f64,
    /// Highest order of the series.
    pub(crate) orders: usize,
    /// Lines that are no order: sines of constant amplitude.
    pub(crate) tones_hz: &'a [f64],
}

/// Evenly spaced samples with the trust put in each.
#[derive(Debug, Clone)]
pub(super) struct Record {
    pub(super) samples: Vec<f64>,
    /// 0 to 1.
    pub(super) trust: Vec<f64>,
    /// Time of the first of them, s after the input's first.
    pub(super) start_s: f64,
    pub(super) step_s: f64,
    /// Length of the input, s.
    pub(super) duration_s: f64,
    lowering: Option<(Decimator, f64)>,
}

impl Record {
    pub(super) fn new(input: &TrackInput) -> Self {
        let count = input.samples.len();
        let duration_s = count as f64 / input.rate_hz;
        let highest = input.fundamental_hz * input.orders as f64;
        let by_length = count / ENOUGH;
        let by_rate = (input.rate_hz / (LEAST_PER_CYCLE * highest)) as usize;
        let factor = by_length.min(by_rate).max(1);
        let trust = |i: usize| input.weights.map_or(1.0, |w| w[i].clamp(0.0, 1.0));
        if factor < 2 {
            return Self {
                samples: input.samples.to_vec(),
                trust: (0..count).map(trust).collect(),
                start_s: 0.0,
                step_s: 1.0 / input.rate_hz,
                duration_s,
                lowering: None,
            };
        }
        let mut decimator = Decimator::new(factor);
        let first = decimator.first_centre();
        let mut held = input.samples.to_vec();
        for (x, w) in held.iter_mut().zip(input.weights.unwrap_or_default()) {
            if !(*w >= 0.5) {
                *x = f64::NAN;
            }
        }
        bridge(&mut held);
        let mut samples = Vec::new();
        decimator.push(&held, &mut samples);
        let least = |i: usize| {
            let middle = first as usize + i * factor;
            let span = middle.saturating_sub(2 * factor)..(middle + 2 * factor + 1).min(count);
            span.map(trust).fold(1.0, f64::min)
        };
        Self {
            trust: (0..samples.len()).map(least).collect(),
            samples,
            start_s: first / input.rate_hz,
            step_s: factor as f64 / input.rate_hz,
            duration_s,
            lowering: Some((decimator, input.rate_hz)),
        }
    }

    #[inline(always)]
    pub(super) fn time_s(&self, index: usize) -> f64 {
        self.start_s + index as f64 * self.step_s
    }

    /// A function of time and sample, for each.
    pub(super) fn each<'a>(
        &'a self,
        of: impl Fn(f64, f64) -> f64 + 'a,
    ) -> impl Iterator<Item = f64> + 'a {
        let samples = self.samples.iter().enumerate();
        samples.map(move |(i, x)| of(self.time_s(i), *x))
    }

    /// What the lowering of the rate leaves of a sine.
    pub(super) fn gain(&self, frequency_hz: f64) -> f64 {
        self.lowering
            .as_ref()
            .map_or(1.0, |(decimator, rate)| decimator.gain(frequency_hz / rate))
    }
}

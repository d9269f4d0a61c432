//! Hum that is there for a part of a record only: a load that was switched on, off, or both.

use super::edge::{Hum, edge, model_cycles};
use super::levels::{FRAME_CYCLES, FRAMES_A_CYCLE, MOST_CYCLES, levels, quantile, swings};
use super::sections::Section;
use crate::hum::presence::{Presence, Present, look};
use std::ops::Range;

/// Fewest cycles of either part.
const LEAST_ON: f64 = 6.0;
const LEAST_OFF: f64 = 1.5;
/// Share of the full level above which the hum counts as on; what every frame of it reaches, and what none beyond exceeds.
const THRESHOLD: f64 = 0.5;
const ON: f64 = 0.65;
const OFF: f64 = 0.2;
/// Quantile of the frames' amplitudes that stands for the full level: of hum that is there for an eighth of the record.
const FULL: f64 = 0.9;
/// Share of the usual mean square below which a cycle swings clearly less: hum as strong as the noise.
const APART: f64 = 0.6;

/// The part of a record that holds the hum.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Span {
    pub(crate) samples: Range<usize>,
    /// Variance of the part's length, samples squared.
    pub(crate) length_variance: f64,
}

impl Span {
    /// The sections of a record of so many samples.
    pub(crate) fn sections(self, count: usize) -> Vec<Section> {
        let (from, to) = (self.samples.start, self.samples.end);
        let silent = |samples: Range<usize>| Section {
            samples,
            length_variance: self.length_variance,
            silent: true,
        };
        let own = Section {
            silent: false,
            ..silent(from..to)
        };
        [silent(0..from), own, silent(to..count)]
            .into_iter()
            .filter(|section| !section.samples.is_empty())
            .collect()
    }
}

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
    let levels = levels(samples, cycle, FULL)?;
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
    let told = Hum::Told(model_cycles(LEAST_ON as usize));
    if first > 0 {
        let (at, variance) = edge(samples, cycle, centre(first), (Hum::None, told))?;
        span.samples.start = at;
        span.length_variance += variance;
    }
    if last + 1 < levels.len() {
        let (at, variance) = edge(samples, cycle, centre(last) + 1, (told, Hum::None))?;
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
    let swings = swings(samples, cycle);
    quantile(&swings, 0.0) < APART * quantile(&swings, FULL)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

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

//! Samples that stand still: what is written while a converter or its link gives nothing new, the last value or a fixed one.
//!
//! They say nothing of the record, so that they count as missing. A record that often repeats a sample by itself, of few levels or of
//! steps that are wide against its noise, tells nothing here.

use crate::stats::median;

/// Share of equal neighbours up to which standing still is no habit of the record.
const HABIT: f64 = 0.3;
/// Least such share that a record is taken for, and runs as long that chance may show in a record.
const LEAST_SHARE: f64 = 1e-3;
const FALSE_ALARM: f64 = 1e-6;
/// Sections whose longest runs tell those that are the record's own, as at crests, and how many times longer a held one is.
const SECTIONS: usize = 32;
const LONGER: usize = 4;
/// Steps of the converter beyond which the record jumps where a held run ends: a crest goes on by one.
const JUMP: f64 = 3.0;
/// Fewest samples that tell.
const LEAST_SAMPLES: usize = 64;

/// The samples that stand still, found block by block.
#[derive(Debug, Clone, Default)]
pub(crate) struct Held {
    rule: Option<Rule>,
    /// Samples left out, and the index of the first.
    pub(crate) samples: u64,
    pub(crate) first: u64,
    read: u64,
    /// The value that the last block ended with, and how often in a row.
    last: f64,
    still: usize,
}

#[derive(Debug, Clone, Copy)]
struct Rule {
    /// Samples of the shortest held run.
    least: usize,
    jump: f64,
}

impl Rule {
    /// What a stretch of the record tells of runs that are not its own; `step`: the converter's.
    fn of(samples: &[f64], step: Option<f64>) -> Option<Self> {
        if samples.len() < LEAST_SAMPLES {
            return None;
        }
        let mut longest: Vec<f64> = samples
            .chunks(samples.len().div_ceil(SECTIONS))
            .map(|section| runs(section).max().unwrap_or(0) as f64)
            .collect();
        let own = median(&mut longest) as usize;
        let equal: usize = runs(samples)
            .filter(|run| *run <= own)
            .map(|run| run - 1)
            .sum();
        let share = equal as f64 / samples.len() as f64;
        if share > HABIT {
            return None;
        }
        let by_chance = (FALSE_ALARM / samples.len() as f64).ln() / share.max(LEAST_SHARE).ln();
        Some(Self {
            least: (LONGER * own).max(1 + by_chance.ceil() as usize),
            jump: JUMP * step.unwrap_or(0.0),
        })
    }
}

/// Lengths of the runs of equal samples.
fn runs(samples: &[f64]) -> impl Iterator<Item = usize> {
    samples.chunk_by(|a, b| a == b).map(<[f64]>::len)
}

impl Held {
    /// Learns from a stretch of the record how long it stands still by itself.
    pub(crate) fn learn(&mut self, samples: &[f64], step: Option<f64>) {
        self.rule = Rule::of(samples, step);
    }

    /// Learns from a whole record and marks it, unless more than `most` samples stand still: so many are its own.
    pub(crate) fn mark_whole(&mut self, samples: &mut [f64], step: Option<f64>, most: f64) {
        if !samples.windows(2).any(|pair| pair[0] == pair[1]) {
            return;
        }
        self.learn(samples, step);
        if self.rule.is_none() {
            return;
        }
        let mut marked = samples.to_vec();
        self.mark(&mut marked);
        if self.samples as f64 > most {
            *self = Self::default();
        } else {
            samples.copy_from_slice(&marked);
        }
    }

    /// Marks what stands still as missing. Of a run that a block ends within, what the block holds has to be long enough by itself.
    pub(crate) fn mark(&mut self, samples: &mut [f64]) {
        let Some(rule) = self.rule else {
            return;
        };
        let start = self.read;
        self.read += samples.len() as u64;
        let going_on = samples.iter().take_while(|x| **x == self.last).count();
        let last = samples.last().copied().unwrap_or(f64::NAN);
        let still = samples.iter().rev().take_while(|x| **x == last).count();
        if going_on > 0 && self.still + going_on >= rule.least {
            self.leave_out(&mut samples[..going_on], start);
        }
        // A run that is long enough holds two samples side by side at one of these places.
        let mut at = 0;
        while let Some(&[value, next]) = samples.get(at..).and_then(<[f64]>::first_chunk) {
            if value == next && value.is_finite() {
                let same = |x: &&f64| **x == value;
                let from = at - samples[..at].iter().rev().take_while(same).count();
                let to = at + samples[at..].iter().take_while(same).count();
                let jumps = |other: f64| !((other - value).abs() <= rule.jump);
                let breaks = (from > 0 && jumps(samples[from - 1]))
                    || samples.get(to).is_some_and(|next| jumps(*next));
                if to - from >= rule.least && (breaks || to == samples.len()) {
                    self.leave_out(&mut samples[from..to], start + from as u64);
                }
                at = to.next_multiple_of(rule.least - 1);
            } else {
                at += rule.least - 1;
            }
        }
        self.still = still
            + if still == samples.len() && last == self.last {
                self.still
            } else {
                0
            };
        self.last = last;
    }

    fn leave_out(&mut self, samples: &mut [f64], first: u64) {
        if self.samples == 0 {
            self.first = first;
        }
        self.samples += samples.len() as u64;
        samples.fill(f64::NAN);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

    /// Hum of so many steps of a converter, with noise of so many.
    fn hum(steps: f64, noise: f64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        (0..20_000)
            .map(|n| {
                let draw: f64 = rng.random_range(-1.0..1.0);
                (steps * (TAU * f64::from(n) / 400.3).cos() + noise * draw).round()
            })
            .collect()
    }

    fn left_out(samples: &[f64], block: usize) -> Vec<usize> {
        let mut marked = samples.to_vec();
        let mut held = Held::default();
        held.learn(samples, Some(1.0));
        marked.chunks_mut(block).for_each(|own| held.mark(own));
        let own: Vec<usize> = (0..marked.len()).filter(|&n| marked[n].is_nan()).collect();
        assert_eq!(own.len() as u64, held.samples);
        assert!(own.is_empty() || own[0] as u64 == held.first);
        own
    }

    #[test]
    fn what_stands_still_is_left_out_whatever_the_blocks() {
        let mut samples = hum(20_000.0, 30.0);
        let held = samples[700];
        samples[700..760].fill(held);
        samples[9000..9100].fill(0.0);
        let expected: Vec<usize> = (700..760).chain(9000..9100).collect();
        assert_eq!(left_out(&samples, samples.len()), expected);
        // Cut after 730 and 9052.
        assert_eq!(left_out(&samples, 730), expected);
        assert_eq!(left_out(&samples, 9052), expected);
    }

    #[test]
    fn crests_few_levels_and_steps_wide_against_the_noise_are_kept() {
        for (steps, noise) in [
            (20_000.0, 0.0),
            (900.0, 0.0),
            (900.0, 0.6),
            (30.0, 0.3),
            (3.0, 1.0),
        ] {
            let samples = hum(steps, noise);
            assert!(
                left_out(&samples, samples.len()).is_empty(),
                "{steps} {noise}"
            );
        }
        let two_levels: Vec<f64> = (0..20_000).map(|n| f64::from(n / 70 % 2)).collect();
        assert!(left_out(&two_levels, 20_000).is_empty());
    }
}

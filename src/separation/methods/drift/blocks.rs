//! Gain and delay of one channel in another, block by block.

use super::track::{FEWEST, Told};
use crate::separation::methods::channels::{Record, matched};
use crate::stats::median;

/// Shortest block, s and samples: some ten mains cycles, so that lines of the two channels part.
const SHORTEST_S: f64 = 0.25;
const SHORTEST: usize = 1024;
/// Most blocks.
const MOST: usize = 40;
/// Largest delay of a block against the record's, s: under half a mains cycle.
const LONGEST_DELAY_S: f64 = 0.004;
/// Clocks that are farther off each other than this are no clocks of instruments.
const FASTEST: f64 = 200e-6;
/// Largest ratio of a block's gain to the usual one that is a drift of the path.
const LARGEST_RATIO: f64 = 2.0;

/// Gain and delay of a block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Block {
    pub(super) gain: Told,
    pub(super) delay: Told,
}

/// Gain and delay of `other`, which has been brought near the record's target, in each block of it; none where the record is too
/// short for as many as tell a drift.
pub(super) fn blocks(record: &Record<'_>, other: &[f64], rate_hz: f64) -> Vec<Block> {
    let n = record.target.len();
    let shortest = (SHORTEST_S * rate_hz).max(SHORTEST as f64) as usize;
    let count = (n / shortest).min(MOST);
    if count < FEWEST {
        return Vec::new();
    }
    let reach = (LONGEST_DELAY_S * rate_hz).min(FASTEST * n as f64 + 2.0);
    let longest = (reach as usize).min(record.longest).max(1);
    let mut found: Vec<Block> = (0..count)
        .filter_map(|b| {
            let (from, to) = (b * n / count, (b + 1) * n / count);
            let there = |i: usize| (record.there)(from + i);
            let part = Record {
                target: &record.target[from..to],
                there: &there,
                others: &[&other[from..to]],
                longest,
            };
            let fit = matched(&part)?.parts.first()?.fit;
            let told = |value, variance| Told {
                at: 0.5 * (from + to) as f64,
                value,
                variance,
            };
            Some(Block {
                gain: told(fit.gain, fit.gain_variance),
                delay: told(fit.delay, fit.delay_variance),
            })
        })
        .collect();
    let mut gains: Vec<f64> = found.iter().map(|block| block.gain.value).collect();
    if gains.is_empty() {
        return found;
    }
    let usual = median(&mut gains);
    let near = 1.0 / LARGEST_RATIO..=LARGEST_RATIO;
    found.retain(|block| near.contains(&(block.gain.value / usual)));
    found
}

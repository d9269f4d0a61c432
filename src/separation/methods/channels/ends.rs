//! What delayed channels are wrong by at a record's ends.

use super::parts::{Part, apply};
use crate::separation::left_power::LeftPower;

/// Pieces of the record that are tried, and samples of each beyond its delays.
const PIECES: usize = 16;
const BEYOND: usize = 256;
/// Samples beside an end that a delay by a part of a sample spoils.
const SPOILT: usize = 64;

/// Adds what the sum of the delayed channels is wrong by for want of what they held before and after the record: pieces of the
/// record, each delayed by itself, tell by what they differ from the whole.
pub(super) fn add_beyond_ends(left: &mut LeftPower, parts: &[Part], others: &[&[f64]]) {
    let n = others.first().map_or(0, |other| other.len());
    let delays = parts.iter().map(|p| p.fit.delay.abs().ceil() as usize);
    let reach = delays.max().unwrap_or(0) + SPOILT;
    let inner = n.saturating_sub(2 * reach);
    let length = (2 * reach + BEYOND).min(inner / 2);
    if length < 16 {
        return;
    }
    let whole = apply(parts, others);
    let count = (inner / length).min(PIECES);
    let errors: Vec<f64> = (0..count)
        .map(|i| {
            let first = reach + i * (inner - length) / (count - 1).max(1);
            let piece = first..first + length;
            let others: Vec<&[f64]> = others.iter().map(|other| &other[piece.clone()]).collect();
            let alone = apply(parts, &others);
            let pairs = alone.iter().zip(&whole[piece]);
            pairs.map(|(a, b)| (a - b).powi(2)).sum()
        })
        .collect();
    let mean = errors.iter().sum::<f64>() / count as f64;
    let variance = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (count as f64 - 1.0);
    let degrees = (2.0 * mean * mean / variance.max(1e-300)).clamp(1.0, 2.0 * n as f64);
    left.add(mean / n as f64, degrees, degrees * count as f64);
}

//! The density of a stream.

use super::segmented::Segmented;
use crate::parallel::*;
use crate::spectrum::{Density, Multitaper};
use std::f64::consts::PI;

/// Fewest samples for each taper of a short record.
const LEAST_A_TAPER: usize = 16;
/// Shortest record of a long capture's density, s.
const DENSITY_S: f64 = 1.0;
/// Tapers for each mains cycle of a short record, and fewest and most of them.
const TAPERS_A_CYCLE: f64 = 0.35;
const TAPERS: (usize, usize) = (2, 8);
/// Half bandwidths of the tapers that lie below the lowest frequency asked for.
const RESOLVED: f64 = 4.0;

/// Tapers of the density: resolution against scatter.
pub(crate) fn estimator(segmented: &Segmented<'_>, nominal_hz: f64) -> Multitaper {
    let rate = segmented.rate_hz();
    let count = segmented.samples().len();
    if segmented.pieces().len() == 1 {
        let cycles = count as f64 / rate * nominal_hz;
        let tapers = ((TAPERS_A_CYCLE * cycles) as usize).clamp(TAPERS.0, TAPERS.1);
        return Multitaper::new(count, tapers.min((count / LEAST_A_TAPER).max(2)));
    }
    let band = segmented.options().band_hz;
    let low = band
        .map_or(f64::INFINITY, |band| band.0)
        .max(RESOLVED * rate / count as f64);
    let shortest = (DENSITY_S * rate).max(segmented.length() as f64);
    let length = (RESOLVED * rate / low).max(shortest).min(count as f64) as usize;
    Multitaper::new(length, if count / length >= 4 { 3 } else { 5 })
}

/// First sample of each record of `length` that is cut from `count` samples.
fn starts(length: usize, count: usize) -> Vec<usize> {
    let records = (count / length).max(1);
    let left = count - length.min(count);
    if records == 1 {
        return vec![left / 2];
    }
    let stride = left as f64 / (records - 1) as f64;
    (0..records).map(|i| (i as f64 * stride) as usize).collect()
}

/// Share of each of `count` samples in the density's power: the sum of the tapers' squares, of all samples 1.
pub(super) fn weights(estimator: &Multitaper, count: usize) -> Vec<f64> {
    let length = estimator.length().min(count);
    let step = PI / (length + 1) as f64;
    let squares = |n: usize| -> f64 {
        let at = step * (n + 1) as f64;
        (1..=estimator.tapers())
            .map(|j| (j as f64 * at).sin().powi(2))
            .sum()
    };
    let shape: Vec<f64> = (0..length).map(squares).collect();
    let starts = starts(length, count);
    let all = shape.iter().sum::<f64>() * starts.len() as f64;
    let mut weights = vec![0.0; count];
    for start in starts {
        for (weight, square) in weights[start..].iter_mut().zip(&shape) {
            *weight += square / all;
        }
    }
    weights
}

/// Density of records cut from `samples`, a straight line taken off each.
pub(crate) fn density(estimator: &Multitaper, samples: &[f64], rate_hz: f64) -> Density {
    let length = estimator.length();
    let starts = starts(length, samples.len());
    let of_some = |chunk: &[usize]| {
        let mut sum = estimator.start(rate_hz);
        for &start in chunk {
            let record = &samples[start..start + length.min(samples.len())];
            estimator.accumulate_less_line(record, straight_line(record), &mut sum);
        }
        sum
    };
    if starts.len() == 1 {
        return of_some(&starts);
    }
    let parts: Vec<Density> = starts.par_chunks(8).map(of_some).collect();
    let mut parts = parts.into_iter();
    let mut sum = parts.next().unwrap_or_else(|| estimator.start(rate_hz));
    for part in parts {
        sum.add(&part);
    }
    sum
}

/// Takes the least-squares straight line off.
pub(crate) fn take_off_line(samples: &mut [f64]) {
    let (mean, slope) = straight_line(samples);
    let middle = 0.5 * (samples.len() as f64 - 1.0);
    for (i, x) in samples.iter_mut().enumerate() {
        *x -= mean + slope * (i as f64 - middle);
    }
}

/// Mean and slope a sample of the least-squares straight line; none of a single sample.
fn straight_line(samples: &[f64]) -> (f64, f64) {
    const LANES: usize = 8;
    let n = samples.len() as f64;
    if samples.len() < 2 {
        return (0.0, 0.0);
    }
    let middle = 0.5 * (n - 1.0);
    // Eight sums side by side, for the vector registers.
    let (mut sums, mut moments) = ([0.0; LANES], [0.0; LANES]);
    let (blocks, last) = samples.as_chunks::<LANES>();
    let lanes: [f64; LANES] = std::array::from_fn(|i| i as f64);
    for (b, block) in blocks.iter().enumerate() {
        let first = (b * LANES) as f64 - middle;
        for i in 0..LANES {
            sums[i] += block[i];
            moments[i] += (first + lanes[i]) * block[i];
        }
    }
    let (mut sum, mut moment) = (sums.iter().sum::<f64>(), moments.iter().sum::<f64>());
    for (i, x) in last.iter().enumerate() {
        sum += x;
        moment += ((blocks.len() * LANES + i) as f64 - middle) * x;
    }
    (sum / n, moment / (n * (n * n - 1.0) / 12.0))
}

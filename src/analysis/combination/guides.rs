//! The orders that tell a series' common phase, and what each segment holds of them.

use super::harmonic::OrderNoise;
use crate::analysis::series::{Observation, SegmentFit};
use crate::stats::chi_square_cdf;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Probability up to which the power of an order that guides is not noise.
const STANDS: f64 = 0.9999;

/// The guiding orders in the segments of a record.
pub(super) struct Guides<'a> {
    pub(super) orders: Vec<usize>,
    /// The segments' times and frequencies against the phasors' reference.
    pub(super) per_segment: &'a [Observation],
    /// Noise beside every order of the series.
    pub(super) noise: &'a [OrderNoise],
    /// Noise in each segment over the mean one.
    pub(super) loudness: &'a [f64],
    /// Share of each segment in the record.
    pub(super) shares: &'a [f64],
    pub(super) phasors: &'a Phasors,
}

impl Guides<'_> {
    pub(super) fn variance(&self, segment: usize, order: usize) -> f64 {
        let own = self.loudness[segment] * self.noise[order - 1].variances[segment];
        own.max(f64::MIN_POSITIVE)
    }

    pub(super) fn phasor(&self, segment: usize, order: usize) -> Complex64 {
        self.phasors.of(segment, order)
    }
}

/// Orders up to `highest` whose power, summed over the segments, stands above the noise (one in 10,000 by chance).
pub(super) fn guiding(segments: &[SegmentFit], noise: &[OrderNoise], highest: usize) -> Vec<usize> {
    let dof = 2.0 * segments.len() as f64;
    let found: Vec<usize> = (1..=noise.len().min(highest))
        .filter(|&k| {
            if !noise[k - 1].guides {
                return false;
            }
            let sum: f64 = segments
                .iter()
                .zip(&noise[k - 1].variances)
                .map(|(s, v)| s.fit.harmonics[k - 1].norm_sqr() / v.max(f64::MIN_POSITIVE))
                .sum();
            chi_square_cdf(sum, dof) > STANDS
        })
        .collect();
    if found.is_empty() { vec![1] } else { found }
}

/// The segments' harmonics against the phase of one steady reference.
pub(super) struct Phasors {
    orders: usize,
    values: Vec<Complex64>,
}

impl Phasors {
    pub(super) fn new(segments: &[SegmentFit], orders: usize, reference: f64, rate: f64) -> Self {
        let values = segments
            .iter()
            .flat_map(|segment| {
                let time = segment.centre / rate;
                (1..=orders).map(move |k| {
                    segment.fit.harmonics[k - 1]
                        * Complex64::cis(-TAU * (k as f64 * reference * time).fract())
                })
            })
            .collect();
        Self { orders, values }
    }

    pub(super) fn of(&self, segment: usize, order: usize) -> Complex64 {
        self.values[segment * self.orders + order - 1]
    }
}

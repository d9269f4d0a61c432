//! How far the tracks may move: ladders of looseness, each beginning at "constant", and their penalties.

use super::bordered::Bordered;
use super::normal::{GAIN, PHASE, SLOW, TRACKS};
use crate::hum::track::input::WanderPrior;
use crate::hum::track::mesh::Mesh;
use std::f64::consts::{PI, TAU};

/// Standard deviations of the differences of spline coefficients: second ones of s and φ, first ones of μ; 0 is constant.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(in crate::hum::track) struct Looseness {
    pub(in crate::hum::track) slow: f64,
    pub(in crate::hum::track) phase: f64,
    pub(in crate::hum::track) gain: f64,
}

/// A step of a ladder and the logarithm of its chance.
#[derive(Debug, Clone, Copy)]
pub(in crate::hum::track) struct Rung {
    pub(in crate::hum::track) looseness: f64,
    pub(in crate::hum::track) log_chance: f64,
}

/// Wander of the frequency, Hz/√s.
const WANDERS: [f64; 8] = [0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0];
/// Change of the gain over the record.
const GAINS: [f64; 8] = [0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0];
/// Chance that the gain is constant.
const CONSTANT_GAIN: f64 = 0.5;

/// Second differences of the phase at a wander: those of an integrated walk seen at knots.
pub(in crate::hum::track) fn phase_looseness(mesh: &Mesh, wander: f64) -> f64 {
    TAU * wander * mesh.spacing_s().powf(1.5) * (2.0_f64 / 3.0).sqrt()
}

pub(in crate::hum::track) fn gain_looseness(mesh: &Mesh, over_record: f64) -> f64 {
    over_record / (mesh.intervals() as f64).sqrt()
}

pub(in crate::hum::track) fn phase_ladder(mesh: &Mesh, prior: &WanderPrior) -> Vec<Rung> {
    let weight = |wander: f64| {
        let z = (wander / prior.typical).log10() / prior.decades;
        // A wide tail: a generator is no grid.
        (-0.5 * z * z).exp() + 0.03
    };
    let total: f64 = WANDERS.iter().map(|&w| weight(w)).sum();
    let constant = Rung {
        looseness: 0.0,
        log_chance: prior.steady.ln(),
    };
    std::iter::once(constant)
        .chain(WANDERS.iter().map(|&w| Rung {
            looseness: phase_looseness(mesh, w),
            log_chance: ((1.0 - prior.steady) * weight(w) / total).ln(),
        }))
        .collect()
}

pub(in crate::hum::track) fn gain_ladder(mesh: &Mesh) -> Vec<Rung> {
    let share = ((1.0 - CONSTANT_GAIN) / GAINS.len() as f64).ln();
    std::iter::once(Rung {
        looseness: 0.0,
        log_chance: CONSTANT_GAIN.ln(),
    })
    .chain(GAINS.iter().map(|&g| Rung {
        looseness: gain_looseness(mesh, g),
        log_chance: share,
    }))
    .collect()
}

/// From a thirtieth of the noise of a knot's mean to the record's range.
pub(in crate::hum::track) fn slow_ladder(noise: f64, range: f64) -> Vec<Rung> {
    let mut rungs = vec![Rung {
        looseness: 0.0,
        log_chance: 0.0,
    }];
    let mut looseness = noise / 30.0;
    while looseness < 3.0 * range && rungs.len() < 40 {
        rungs.push(Rung {
            looseness,
            log_chance: -2.0,
        });
        looseness *= 10.0_f64.sqrt();
    }
    rungs
}

/// Precisions that looseness stands for; "constant" is a finite one that no record can tell from it.
#[derive(Debug, Clone, Copy)]
pub(in crate::hum::track) struct Precisions([f64; TRACKS]);

impl Precisions {
    pub(in crate::hum::track) fn new(looseness: &Looseness, information: &Bordered) -> Self {
        let n = information.banded() / TRACKS;
        let waves = n as f64 / PI;
        let precision = |track: usize, looseness: f64, stiffness: f64| {
            let mean = (0..n)
                .map(|i| information.diagonal(TRACKS * i + track))
                .sum::<f64>()
                / n as f64;
            let constant = 100.0 * mean.max(f64::MIN_POSITIVE) * stiffness;
            (1.0 / (looseness * looseness)).min(constant)
        };
        Self([
            precision(SLOW, looseness.slow, waves.powi(4)),
            precision(PHASE, looseness.phase, waves.powi(4)),
            precision(GAIN, looseness.gain, waves.powi(2)),
        ])
    }

    /// The same with one track's precision multiplied.
    pub(in crate::hum::track) fn scaled(mut self, track: usize, factor: f64) -> Self {
        self.0[track] *= factor;
        self
    }

    /// Differences that a track's prior rests on.
    pub(in crate::hum::track) fn rank(track: usize, coefficients: usize) -> f64 {
        let free = if track == GAIN { 1 } else { 2 };
        coefficients.saturating_sub(free) as f64
    }

    /// Adds the penalties to the information.
    pub(in crate::hum::track) fn add_to(&self, matrix: &mut Bordered) {
        let n = matrix.banded() / TRACKS;
        for (track, &p) in self.0.iter().enumerate() {
            let stencil = stencil(track);
            for i in 0..=n - stencil.len() {
                for (a, ca) in stencil.iter().enumerate() {
                    for (b, cb) in stencil[..=a].iter().enumerate() {
                        let place = |k: usize| TRACKS * (i + k) + track;
                        matrix.add(place(a), place(b), p * ca * cb);
                    }
                }
            }
        }
    }

    /// P·β over the band, and βᵀ·P·β.
    pub(in crate::hum::track) fn product(&self, tracks: [&[f64]; TRACKS]) -> (Vec<f64>, f64) {
        let n = tracks[0].len();
        let mut product = vec![0.0; TRACKS * n];
        let mut form = 0.0;
        for (track, &p) in self.0.iter().enumerate() {
            let stencil = stencil(track);
            for i in 0..=n - stencil.len() {
                let difference: f64 = stencil
                    .iter()
                    .zip(&tracks[track][i..])
                    .map(|(c, v)| c * v)
                    .sum();
                form += p * difference * difference;
                for (k, c) in stencil.iter().enumerate() {
                    product[TRACKS * (i + k) + track] += p * c * difference;
                }
            }
        }
        (product, form)
    }

    /// ½·log|P| over what P rests on.
    pub(in crate::hum::track) fn half_log_determinant(&self, coefficients: usize) -> f64 {
        self.0
            .iter()
            .enumerate()
            .map(|(track, p)| 0.5 * Self::rank(track, coefficients) * p.ln())
            .sum()
    }
}

fn stencil(track: usize) -> &'static [f64] {
    if track == GAIN {
        &[-1.0, 1.0]
    } else {
        &[1.0, -2.0, 1.0]
    }
}

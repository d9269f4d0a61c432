//! How far the tracks may move: ladders of looseness, each beginning at "constant", and their penalties.

use super::bordered::Bordered;
use crate::hum::track::mesh::Mesh;
use crate::hum::track::model::{GAIN, TRACKS};
use crate::numeric::plain_dot;
use std::f64::consts::{PI, TAU};

/// Standard deviations of the differences of spline coefficients: second ones of s and φ, first ones of μ; 0 is constant.
pub(crate) type Looseness = [f64; TRACKS];

/// A step of a ladder and the logarithm of its chance.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rung {
    pub(crate) looseness: f64,
    pub(crate) log_chance: f64,
}

/// Wander of the frequency, Hz/√s; change of the gain over the record.
const STEPS: [f64; 8] = [0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0];
/// Chance that the gain is constant, and that the frequency is steady.
const CONSTANT_GAIN: f64 = 0.5;
const STEADY: f64 = 0.15;
/// Most likely wander of a grid's frequency, Hz/√s, and the standard deviation of its decimal logarithm: known to a decade
/// or so before a record is seen.
const TYPICAL_WANDER: f64 = 0.008;
const WANDER_DECADES: f64 = 0.6;

/// Second differences of the phase at a wander: those of an integrated walk seen at knots.
pub(crate) fn phase_looseness(mesh: &Mesh, wander: f64) -> f64 {
    TAU * wander * mesh.spacing_s.powf(1.5) * (2.0_f64 / 3.0).sqrt()
}

pub(crate) fn gain_looseness(mesh: &Mesh, over_record: f64) -> f64 {
    over_record / (mesh.intervals as f64).sqrt()
}

/// "Constant", of a chance, and steps with chances of their own.
fn ladder(constant: f64, step: impl Fn(f64) -> (f64, f64)) -> Vec<Rung> {
    std::iter::once((0.0, constant))
        .chain(STEPS.map(step))
        .map(|(looseness, chance)| Rung {
            looseness,
            log_chance: chance.ln(),
        })
        .collect()
}

pub(crate) fn phase_ladder(mesh: &Mesh) -> Vec<Rung> {
    let weight = |wander: f64| {
        let z = (wander / TYPICAL_WANDER).log10() / WANDER_DECADES;
        // A wide tail: a generator is no grid.
        (-0.5 * z * z).exp() + 0.03
    };
    let total: f64 = STEPS.iter().map(|&w| weight(w)).sum();
    ladder(STEADY, |w| {
        let chance = (1.0 - STEADY) * weight(w) / total;
        (phase_looseness(mesh, w), chance)
    })
}

pub(crate) fn gain_ladder(mesh: &Mesh) -> Vec<Rung> {
    let share = (1.0 - CONSTANT_GAIN) / STEPS.len() as f64;
    ladder(CONSTANT_GAIN, |g| (gain_looseness(mesh, g), share))
}

/// From a thirtieth of the noise of a knot's mean to the record's range.
pub(crate) fn slow_ladder(noise: f64, range: f64) -> Vec<Rung> {
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
pub(crate) struct Precisions([f64; TRACKS]);

impl Precisions {
    pub(crate) fn new(looseness: &Looseness, information: &Bordered) -> Self {
        let n = information.banded / TRACKS;
        let waves = n as f64 / PI;
        Self(std::array::from_fn(|track| {
            let mean = (0..n)
                .map(|i| information.diagonal(TRACKS * i + track))
                .sum::<f64>()
                / n as f64;
            let stiffness = waves.powi(2 * differences(track) as i32);
            let constant = 100.0 * mean.max(f64::MIN_POSITIVE) * stiffness;
            (1.0 / (looseness[track] * looseness[track])).min(constant)
        }))
    }

    /// The same with one track's precision multiplied.
    pub(crate) fn scaled(mut self, track: usize, factor: f64) -> Self {
        self.0[track] *= factor;
        self
    }

    /// Differences that a track's prior rests on.
    pub(crate) fn rank(track: usize, coefficients: usize) -> f64 {
        coefficients.saturating_sub(differences(track)) as f64
    }

    /// Adds the penalties to the information.
    pub(crate) fn add_to(&self, matrix: &mut Bordered) {
        let n = matrix.banded / TRACKS;
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
    pub(crate) fn product(&self, tracks: &[Vec<f64>; TRACKS]) -> (Vec<f64>, f64) {
        let n = tracks[0].len();
        let mut product = vec![0.0; TRACKS * n];
        let mut form = 0.0;
        for (track, &p) in self.0.iter().enumerate() {
            let stencil = stencil(track);
            for i in 0..=n - stencil.len() {
                let difference = plain_dot(stencil, &tracks[track][i..]);
                form += p * difference * difference;
                for (k, c) in stencil.iter().enumerate() {
                    product[TRACKS * (i + k) + track] += p * c * difference;
                }
            }
        }
        (product, form)
    }

    /// ½·log|P| over what P rests on.
    pub(crate) fn half_log_determinant(&self, coefficients: usize) -> f64 {
        self.0
            .iter()
            .enumerate()
            .map(|(track, p)| 0.5 * Self::rank(track, coefficients) * p.ln())
            .sum()
    }
}

/// Order of a track's differences.
fn differences(track: usize) -> usize {
    stencil(track).len() - 1
}

fn stencil(track: usize) -> &'static [f64] {
    if track == GAIN {
        &[-1.0, 1.0]
    } else {
        &[1.0, -2.0, 1.0]
    }
}

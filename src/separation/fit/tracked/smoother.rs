//! Penalised smoothing of a track on a mesh, its memory chosen by the data.

use crate::numeric::{Banded, Roughness, plain_dot};
use crate::separation::fit::model::HumModel;
use std::f64::consts::PI;

/// Longest memory tried for tracks of free slope, knots: beyond it the system is ill-conditioned.
const LONGEST_SLOPE_MEMORY: f64 = 300.0;

/// Log-likelihood by which a shorter memory must beat the longest.
const FAVOUR: f64 = 3.0;

/// How tracks on a mesh are smoothed.
#[derive(Debug, Clone, Default)]
pub(crate) struct Smoothing {
    /// Knot spacings in units of the nominal one.
    pub(super) spacing: Vec<f64>,
    /// Usual length of an interval, s.
    pub(crate) interval_s: f64,
    /// Whether of the memories only every third is tried at first, and the others about the best of them.
    pub(crate) quick: bool,
}

impl Smoothing {
    /// Smoothing on the mesh of `model`.
    pub(crate) fn new(model: &HumModel, rate_hz: f64) -> Self {
        let mut smoothing = Self {
            interval_s: (model.samples() as f64 / model.intervals().max(1) as f64) / rate_hz,
            ..Self::default()
        };
        smoothing.respace(model);
        smoothing
    }

    /// Smoothing between knots that lie apart by these spacings, in units of a usual one.
    pub(crate) fn between(spacing: Vec<f64>) -> Self {
        Self {
            spacing,
            ..Self::default()
        }
    }

    /// Takes over a mesh whose edges have moved.
    pub(crate) fn respace(&mut self, model: &HumModel) {
        let nominal = model.samples() as f64 / model.intervals() as f64;
        self.spacing = model
            .edges
            .windows(2)
            .map(|e| (e[1] - e[0]) as f64 / nominal)
            .collect();
    }

    /// Shortest memory, in knots, of a track that follows changes up to this bandwidth.
    pub(crate) fn shortest(&self, bandwidth_hz: f64) -> f64 {
        (1.0 / (2.0 * PI * bandwidth_hz * self.interval_s)).max(0.7)
    }

    /// A track with this Gram matrix of the hats and these right-hand sides.
    pub(crate) fn track<'a>(&'a self, gram: &'a Banded, rhs: &'a [Vec<f64>]) -> TrackData<'a> {
        TrackData {
            gram,
            rhs,
            spacing: &self.spacing,
            quick: self.quick,
        }
    }
}

/// A smoothed track.
#[derive(Debug, Clone)]
pub(crate) struct Smoothed {
    /// One track for every right-hand side.
    pub(crate) tracks: Vec<Vec<f64>>,
    /// Logarithm of the restricted marginal likelihood, up to a constant of the data.
    pub(crate) log_likelihood: f64,
    /// Noise power of the data that the best ratio leaves, in units of the Gram matrix.
    pub(crate) noise: f64,
    /// Ratio of noise to walk.
    pub(crate) ratio: f64,
}

/// Data of a track: Gram matrix of the hats, right-hand sides (one, or real and imaginary part).
pub(crate) struct TrackData<'a> {
    pub(crate) gram: &'a Banded,
    pub(crate) rhs: &'a [Vec<f64>],
    pub(crate) spacing: &'a [f64],
    pub(super) quick: bool,
}

impl TrackData<'_> {
    /// bᵀG⁻¹b over all right-hand sides.
    pub(crate) fn energy(&self) -> f64 {
        let factor = self.gram.factor();
        self.rhs
            .iter()
            .map(|b| plain_dot(b, &factor.solve(b)))
            .sum()
    }

    /// Smooths at one ratio of noise to walk; `energy` is the data's own.
    pub(crate) fn at_ratio(
        &self,
        roughness: Roughness,
        weights: &[f64],
        ratio: f64,
        energy: f64,
    ) -> Smoothed {
        self.under_penalty(
            roughness,
            &roughness.penalty(self.spacing, weights),
            ratio,
            energy,
        )
    }

    fn under_penalty(
        &self,
        roughness: Roughness,
        penalty: &Banded,
        ratio: f64,
        energy: f64,
    ) -> Smoothed {
        let mut system = self.gram.clone();
        system.add_scaled(penalty, ratio);
        let factor = system.factor();
        let tracks: Vec<Vec<f64>> = self.rhs.iter().map(|b| factor.solve(b)).collect();
        let explained: f64 = tracks
            .iter()
            .zip(self.rhs)
            .map(|(t, b)| plain_dot(t, b))
            .sum();
        let penalised = Penalised {
            knots: self.gram.len(),
            sides: self.rhs.len(),
            roughness,
            ratio,
            log_determinant: factor.log_determinant(),
        };
        let (log_likelihood, noise) = penalised.likelihood(energy, explained);
        Smoothed {
            tracks,
            log_likelihood,
            noise,
            ratio,
        }
    }

    /// Free parameters that a smoothed track amounts to: the trace of smoother times data.
    pub(crate) fn parameters(
        &self,
        roughness: Roughness,
        weights: &[f64],
        smoothed: &Smoothed,
    ) -> f64 {
        let mut system = self.gram.clone();
        system.add_scaled(&roughness.penalty(self.spacing, weights), smoothed.ratio);
        system
            .factor()
            .inverse_diagonal()
            .iter()
            .zip(self.gram.multiply(&vec![1.0; self.gram.len()]))
            .map(|(v, m)| v * m)
            .sum()
    }

    /// Tries memories from `shortest` knots to the whole record and keeps the most likely.
    pub(crate) fn best(&self, roughness: Roughness, weights: &[f64], shortest: f64) -> Smoothed {
        let energy = self.energy();
        let memories = Memories::new(roughness, self.gram.len(), shortest, self.quick);
        let scale = self.gram.mean_diagonal();
        let penalty = roughness.penalty(self.spacing, weights);
        let (log_likelihood, best) = memories.most_likely(|memory| {
            let ratio = memories.ratio(scale, memory);
            let smoothed = self.under_penalty(roughness, &penalty, ratio, energy);
            (smoothed.log_likelihood, smoothed)
        });
        Smoothed {
            log_likelihood,
            ..best
        }
    }
}

/// Ratio of noise to walk under which a track hardly moves.
pub(super) fn flat_ratio(gram: &Banded) -> f64 {
    64.0 * gram.mean_diagonal() * (gram.len() as f64).powi(2)
}

/// A system of a track under its penalty.
pub(super) struct Penalised {
    pub(super) knots: usize,
    /// Right-hand sides of a track.
    pub(super) sides: usize,
    pub(super) roughness: Roughness,
    /// Ratio of noise to walk.
    pub(super) ratio: f64,
    pub(super) log_determinant: f64,
}

impl Penalised {
    /// Logarithm of the restricted marginal likelihood, up to a constant of the data, and the noise power that is left, from
    /// the data's `energy` and what of it the track explains.
    pub(super) fn likelihood(&self, energy: f64, explained: f64) -> (f64, f64) {
        let n = self.knots;
        let sides = self.sides as f64;
        let degrees = sides * (n - self.roughness.free()) as f64;
        let noise = ((energy - explained) / degrees)
            .max(1e-14 * energy / n as f64)
            .max(1e-300);
        let rank = self.roughness.terms(n - 1) as f64;
        let walk = self.log_determinant - rank * self.ratio.ln();
        (-0.5 * (degrees * noise.ln() + sides * walk), noise)
    }
}

/// Memories of a track that are tried, in knots.
pub(super) struct Memories {
    shortest: f64,
    longest: f64,
    /// Twice the dimensions that cost nothing.
    power: i32,
    quick: bool,
}

impl Memories {
    /// From `shortest` to the whole record; `quick`: see [`Smoothing`].
    pub(super) fn new(roughness: Roughness, knots: usize, shortest: f64, quick: bool) -> Self {
        let longest = match roughness {
            Roughness::Level => 8.0 * knots as f64,
            Roughness::Slope => LONGEST_SLOPE_MEMORY.min(4.0 * knots as f64),
        }
        .max(2.0 * shortest);
        Self {
            shortest,
            longest,
            power: 2 * roughness.free() as i32,
            quick,
        }
    }

    /// Ratio of noise to walk of a memory, of a Gram matrix of this mean diagonal.
    pub(super) fn ratio(&self, scale: f64, memory: f64) -> f64 {
        scale * memory.powi(self.power)
    }

    /// The most likely memory by way of `at`, which gives a memory's log-likelihood and what comes of it; the longest one is
    /// favoured.
    pub(super) fn most_likely<T>(&self, mut at: impl FnMut(f64) -> (f64, T)) -> (f64, T) {
        let (shortest, longest) = (self.shortest, self.longest);
        let steps = 12;
        let mut best = at(longest);
        best.0 += FAVOUR;
        let mut best_memory = longest;
        let memory_of =
            |step: i32| longest * (shortest / longest).powf(f64::from(step) / f64::from(steps));
        let mut best_step = 0;
        let mut try_steps = |candidates: &mut dyn Iterator<Item = i32>, centre: &mut i32| {
            for step in candidates {
                let candidate = at(memory_of(step));
                if candidate.0 > best.0 {
                    best = candidate;
                    best_memory = memory_of(step);
                    *centre = step;
                }
            }
        };
        if self.quick {
            try_steps(&mut (3..=steps).step_by(3), &mut best_step);
            let near = [-2, -1, 1, 2].map(|offset| best_step + offset);
            let near = near.into_iter().filter(|step| (1..=steps).contains(step));
            try_steps(&mut near.into_iter(), &mut best_step);
        } else {
            try_steps(&mut (1..=steps), &mut best_step);
        }
        let stride = (longest / shortest).powf(1.0 / f64::from(steps));
        for memory in [best_memory * stride.sqrt(), best_memory / stride.sqrt()] {
            if (shortest..=longest).contains(&memory) {
                let candidate = at(memory);
                if candidate.0 > best.0 {
                    best = candidate;
                }
            }
        }
        best
    }
}

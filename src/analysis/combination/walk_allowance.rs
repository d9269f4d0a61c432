//! What a walk of the frequency does to a record of one segment, whose fit takes the frequency for constant.
//!
//! Phases of blocks beside that fit are modelled as a line, a random walk of the frequency of intensity q, and noise. For
//! each q the best linear unbiased prediction (C. R. Henderson, Biometrics 31, 1975) tells the phase at the start and the
//! phase gained over the record; the q are weighed by the restricted likelihood (H. D. Patterson & R. Thompson, Biometrika
//! 58, 1971) and by what grids do. A walk that a record does not prove is not known to be none.

use crate::numeric::{Cholesky, plain_dot};
use std::f64::consts::TAU;

/// Random walks of a grid's frequency, Hz/√s, and the odds of each before the record is looked at (common practice, no
/// source; 0: a generator's crystal, a simulated grid; the last two: a generator that hunts, a phase that jumps).
const WALKS: [(f64, f64); 7] = [
    (0.0, 0.745),
    (5e-3, 0.075),
    (10e-3, 0.075),
    (20e-3, 0.05),
    (40e-3, 0.05),
    (0.2, 0.0025),
    (1.0, 0.0025),
];
/// Fewest blocks that tell a walk from a line.
const LEAST_BLOCKS: usize = 4;

/// Phases of equal blocks of a record beside the fit of a constant frequency.
#[derive(Debug, Clone)]
pub(crate) struct BlockPhases {
    /// Deviation of each block's mean phase, rad.
    pub(crate) phases: Vec<f64>,
    /// Variance of each by noise, rad².
    pub(crate) variance: f64,
    pub(crate) duration_s: f64,
}

/// What is to be added to a figure, and to its variance.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Correction {
    pub(crate) value: f64,
    pub(crate) variance: f64,
}

/// What the blocks say of the walk, and what that does to the figures of a constant frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct WalkAllowance {
    /// Of the phase at the record's start, rad.
    pub(crate) start: Correction,
    /// Of the mean frequency, Hz.
    pub(crate) frequency_hz: Correction,
    /// Probability that the frequency does not walk.
    pub(crate) steady: f64,
}

impl Correction {
    /// The figure left where it is, as uncertain as the correction says.
    fn unmoved(self) -> Self {
        Self {
            value: 0.0,
            variance: self.variance + self.value * self.value,
        }
    }
}

impl WalkAllowance {
    /// What is to be added where something else may have moved the blocks' phases.
    pub(crate) fn unmoved(self) -> Self {
        Self {
            start: self.start.unmoved(),
            frequency_hz: self.frequency_hz.unmoved(),
            ..self
        }
    }
}

impl BlockPhases {
    /// `None` of too few blocks, or where nothing is known of their noise.
    pub(crate) fn allowance(&self) -> Option<WalkAllowance> {
        let known = self.variance > 0.0 && self.variance.is_finite();
        if self.phases.len() < LEAST_BLOCKS || !known {
            return None;
        }
        let by_walk: Vec<Prediction> = WALKS
            .iter()
            .map(|(walk, _)| self.predict(walk * walk))
            .collect::<Option<_>>()?;
        let steady = by_walk[0];
        let most = by_walk
            .iter()
            .map(|p| p.likelihood)
            .fold(f64::MIN, f64::max);
        let odds: Vec<f64> = by_walk
            .iter()
            .zip(WALKS)
            .map(|(p, (_, before))| before * (p.likelihood - most).exp())
            .collect();
        let all: f64 = odds.iter().sum();
        let mixed = |of: fn(&Prediction) -> Correction| {
            let shares = || by_walk.iter().map(of).zip(&odds);
            let own = of(&steady);
            let value = shares()
                .map(|(c, o)| o * (c.value - own.value))
                .sum::<f64>()
                / all;
            let spread = |c: Correction| (c.value - own.value - value).powi(2);
            let variance = shares()
                .map(|(c, o)| o * (c.variance - own.variance + spread(c)))
                .sum::<f64>();
            Correction {
                value,
                variance: (variance / all).max(0.0),
            }
        };
        let gained = mixed(|p| p.gained);
        let turns = TAU * self.duration_s;
        Some(WalkAllowance {
            start: mixed(|p| p.start),
            frequency_hz: Correction {
                value: gained.value / turns,
                variance: gained.variance / (turns * turns),
            },
            steady: odds[0] / all,
        })
    }

    /// What the phases say if the frequency walks by `walk`, Hz²/s.
    fn predict(&self, walk: f64) -> Option<Prediction> {
        let count = self.phases.len();
        let place = |b: usize| (b as f64 + 0.5) / count as f64;
        // Covariances over that of a block's noise; time in records.
        let ratio = walk * TAU * TAU * self.duration_s.powi(3) / self.variance;
        let mut covariance = vec![0.0; count * count];
        for i in 0..count {
            for j in 0..=i {
                let noise = if i == j { 1.0 } else { 0.0 };
                covariance[i * count + j] = noise + ratio * walked(place(j), place(i));
            }
        }
        let factor = Cholesky::new(count, covariance)?;
        let solved = |mut values: Vec<f64>| {
            factor.solve(&mut values);
            values
        };
        let line = [
            vec![1.0; count],
            (0..count).map(|b| place(b) - 0.5).collect(),
        ];
        let weighed = line.clone().map(solved);
        let end: Vec<f64> = (0..count).map(|b| ratio * walked(place(b), 1.0)).collect();
        let told = solved(self.phases.clone());
        let normal = Symmetric([
            plain_dot(&line[0], &weighed[0]),
            plain_dot(&line[0], &weighed[1]),
            plain_dot(&line[1], &weighed[1]),
        ]);
        let inverse = normal.inverse();
        let right = [plain_dot(&line[0], &told), plain_dot(&line[1], &told)];
        let beta = inverse.times(right);
        let squares = plain_dot(&self.phases, &told) - right[0] * beta[0] - right[1] * beta[1];
        // The walk's own part at the end, from what the line leaves.
        let at_end = plain_dot(&end, &told)
            - beta[0] * plain_dot(&end, &weighed[0])
            - beta[1] * plain_dot(&end, &weighed[1]);
        let toward = [
            -plain_dot(&end, &weighed[0]),
            1.0 - plain_dot(&end, &weighed[1]),
        ];
        let of_end = ratio * walked(1.0, 1.0) - plain_dot(&end, &solved(end.clone()));
        let of_start = [1.0, -0.5];
        Some(Prediction {
            start: Correction {
                value: beta[0] - 0.5 * beta[1],
                variance: self.variance * inverse.form(of_start),
            },
            gained: Correction {
                value: beta[1] + at_end,
                variance: self.variance * (of_end + inverse.form(toward)),
            },
            likelihood: -0.5
                * (factor.log_determinant() + normal.determinant().ln() + squares / self.variance),
        })
    }
}

/// Phase at the start and phase gained, rad, and the logarithm of the likelihood.
#[derive(Debug, Clone, Copy)]
struct Prediction {
    start: Correction,
    gained: Correction,
    likelihood: f64,
}

/// Covariance of a once integrated random walk at two times, the earlier first.
fn walked(early: f64, late: f64) -> f64 {
    early * early * (3.0 * late - early) / 6.0
}

/// A symmetric matrix of two rows: its upper triangle.
struct Symmetric([f64; 3]);

impl Symmetric {
    fn determinant(&self) -> f64 {
        self.0[0] * self.0[2] - self.0[1] * self.0[1]
    }

    fn inverse(&self) -> Self {
        let determinant = self.determinant();
        let [a, b, c] = self.0;
        Self([c / determinant, -b / determinant, a / determinant])
    }

    fn times(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [a, b, c] = self.0;
        [a * x + b * y, b * x + c * y]
    }

    /// vᵀ·A·v.
    fn form(&self, v: [f64; 2]) -> f64 {
        let [x, y] = self.times(v);
        v[0] * x + v[1] * y
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::mean;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const FINE: usize = 40;
    const BLOCKS: usize = 10;

    /// Block phases of a walk beside the line that fits them, the phase at the start and the one gained.
    fn simulated(walk: f64, deviation: f64, rng: &mut impl rand::Rng) -> (BlockPhases, f64, f64) {
        let step = 1.0 / (BLOCKS * FINE) as f64;
        let (mut frequency, mut phase) = (0.0, 0.0);
        let mut draw = || -> f64 { StandardNormal.sample(rng) };
        let mut phases = Vec::new();
        for _ in 0..BLOCKS {
            let mut sum = 0.0;
            for _ in 0..FINE {
                let before = phase;
                let old = frequency;
                frequency += walk * step.sqrt() * draw();
                phase += TAU * 0.5 * (old + frequency) * step;
                sum += 0.5 * (before + phase);
            }
            phases.push(sum / FINE as f64 + deviation * draw());
        }
        let centre = |b: usize| (b as f64 + 0.5) / BLOCKS as f64 - 0.5;
        let level = mean(&phases);
        let spread: f64 = (0..BLOCKS).map(|b| centre(b).powi(2)).sum();
        let slope = (0..BLOCKS).map(|b| centre(b) * phases[b]).sum::<f64>() / spread;
        for (b, p) in phases.iter_mut().enumerate() {
            *p -= level + slope * centre(b);
        }
        let blocks = BlockPhases {
            phases,
            variance: deviation * deviation,
            duration_s: 1.0,
        };
        (blocks, 0.5 * slope - level, phase - slope)
    }

    /// Share of 400 records in which 1.96 deviations hold mean frequency and start, and how often the frequency's without the walk do.
    /// Binomial deviation of the shares: 1.6 % at 90 %.
    fn held(walk: f64, deviation: f64) -> [f64; 3] {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut counts = [0.0; 3];
        // Variances of a fitted line's start and slope, from blocks of equal variance.
        let spread = BLOCKS as f64 * (1.0 - 1.0 / (BLOCKS * BLOCKS) as f64) / 12.0;
        let plain = deviation * deviation / spread;
        let plain_start = deviation * deviation * (1.0 / BLOCKS as f64 + 0.25 / spread);
        for _ in 0..400 {
            let (blocks, start, gained) = simulated(walk, deviation, &mut rng);
            let allowance = blocks.allowance().unwrap();
            let own = allowance.frequency_hz;
            let inside = |error: f64, variance: f64| {
                f64::from(u8::from(error.abs() < 1.96 * variance.sqrt()))
            };
            counts[0] += inside(own.value * TAU - gained, own.variance * TAU * TAU + plain);
            counts[1] += inside(
                allowance.start.value - start,
                allowance.start.variance + plain_start,
            );
            counts[2] += inside(gained, plain);
        }
        counts.map(|c| c / 400.0)
    }

    /// With odds of three to one for a steady frequency a walk is held less often than nominal: of 3000 records made apart, the
    /// frequency in 0.90 to 0.94 and the start in 0.86 to 0.95. Bounds: 2 deviations below.
    #[test]
    fn a_walk_that_is_not_proved_is_allowed_for() {
        for (walk, deviation) in [(0.0, 3e-3), (7e-3, 3e-3), (10e-3, 1e-3), (20e-3, 3e-3)] {
            let [frequency, start, without] = held(walk, deviation);
            assert!(
                frequency > 0.87 && start > 0.83,
                "{walk} {deviation}: {frequency} {start}"
            );
            assert!(
                walk == 0.0 || without < 0.9,
                "{walk} {deviation}: {without}"
            );
        }
    }

    #[test]
    fn a_steady_phase_is_widened_little_and_not_moved() {
        for deviation in [1e-4, 1e-2, 1.0] {
            let blocks = BlockPhases {
                phases: vec![0.0; BLOCKS],
                variance: deviation * deviation,
                duration_s: 1.0,
            };
            let allowance = blocks.allowance().unwrap();
            let plain = 12.0 * deviation * deviation / BLOCKS as f64 / (TAU * TAU);
            assert_eq!(allowance.frequency_hz.value, 0.0);
            assert!(
                allowance.frequency_hz.variance < 0.2 * plain,
                "{allowance:?}"
            );
            assert!(allowance.steady >= 0.5);
        }
    }

    #[test]
    fn few_blocks_tell_nothing() {
        let blocks = BlockPhases {
            phases: vec![0.0; LEAST_BLOCKS - 1],
            variance: 1.0,
            duration_s: 1.0,
        };
        assert_eq!(blocks.allowance(), None);
    }
}

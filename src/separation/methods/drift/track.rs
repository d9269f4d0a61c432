//! A figure that may change slowly from block to block.

use crate::numeric::Banded;
use crate::separation::fit::{Smoothing, best_of_both};
use crate::stats::{f_cdf, normal_scale};

/// Shortest memory of a track, blocks: what changes faster does not drift.
const SHORTEST_MEMORY: f64 = 2.0;
/// Fewest blocks that tell a drift from their scatter.
pub(super) const FEWEST: usize = 6;
/// Usual distances from the neighbours' lines beyond which a block shows something else.
const FAR: f64 = 8.0;
/// Probability at which scatter is taken for a slope.
const CHANCE: f64 = 1e-3;
/// Fewest free parameters of what is no constant.
const LEAST: f64 = 0.6;
/// Deviations of a slope up to which it may be there unseen.
const UNSEEN: f64 = 2.0;

/// A figure against time, straight between knots and beyond them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Track {
    /// Place of each knot, samples, and the value there.
    knots: Vec<(f64, f64)>,
    /// Mean square of the values' errors, but for one that all have in common, and the free parameters that bring it.
    pub(super) variance: f64,
    pub(super) parameters: f64,
}

/// What one block says: its place, the figure, and the figure's variance up to a common factor.
#[derive(Debug, Clone, Copy)]
pub(super) struct Told {
    pub(super) at: f64,
    pub(super) value: f64,
    pub(super) variance: f64,
}

impl Track {
    /// The track that blocks prove; `None` where a constant does.
    ///
    /// A straight line where its slope stands out of the blocks' scatter about it (an F variable), and on top of it, or of a constant, a
    /// random walk, or one with a slope, whose memory that scatter chooses by its likelihood.
    pub(super) fn through(told: &[Told]) -> Option<Self> {
        let told = without_strays(told);
        let mut line = Line::through(&told)?;
        let count = told.len();
        let straight = line.chance() < CHANCE;
        if !straight {
            line.slope = 0.0;
        }
        let usual = (told[count - 1].at - told[0].at) / (count - 1) as f64;
        let spacing = told.windows(2).map(|w| (w[1].at - w[0].at) / usual);
        let smoothing = Smoothing::between(spacing.collect());
        let mut gram = Banded::zeros(count);
        let weights: Vec<f64> = told.iter().map(|t| 1.0 / t.variance).collect();
        for (i, w) in weights.iter().enumerate().skip(1) {
            gram.add_interval(i - 1, [0.0, 0.0, *w], 1.0);
        }
        gram.add_interval(0, [weights[0], 0.0, 0.0], 1.0);
        let beside = told.iter().zip(&weights);
        let sides = [beside.map(|(t, w)| (t.value - line.at(t.at)) * w).collect()];
        let (smoothed, free) = best_of_both(&smoothing.track(&gram, &sides), SHORTEST_MEMORY);
        let parameters = free - 1.0 + f64::from(u8::from(straight));
        let values = smoothed.tracks.first()?;
        if parameters < LEAST || !values.iter().all(|v| v.is_finite()) {
            return None;
        }
        let knots = told.iter().zip(values);
        Some(Self {
            knots: knots.map(|(t, v)| (t.at, v + line.at(t.at))).collect(),
            variance: smoothed.noise * parameters / weights.iter().sum::<f64>(),
            parameters,
        })
    }

    /// Mean square, over so many samples, of a straight drift that blocks which prove none may hide: its slope as they have it and two
    /// of its deviations, by their scatter.
    pub(super) fn hidden(told: &[Told], samples: usize) -> f64 {
        let Some(line) = Line::through(&without_strays(told)) else {
            return 0.0;
        };
        let change = (line.slope.abs() + UNSEEN * line.variance.sqrt()) * samples as f64;
        // The mean square of a straight line about its middle.
        change * change / 12.0
    }

    /// The figure at a sample.
    pub(super) fn at(&self, sample: f64) -> f64 {
        let behind = self.knots.partition_point(|(at, _)| *at < sample);
        let first = behind.clamp(1, self.knots.len() - 1) - 1;
        let ((a, from), (b, to)) = (self.knots[first], self.knots[first + 1]);
        from + (to - from) * (sample - a) / (b - a)
    }

    /// Mean over so many samples.
    pub(super) fn mean(&self, samples: usize) -> f64 {
        const PLACES: usize = 512;
        let place = |i: usize| (i as f64 + 0.5) * samples as f64 / PLACES as f64;
        (0..PLACES).map(|i| self.at(place(i))).sum::<f64>() / PLACES as f64
    }
}

/// The straight line through what blocks say.
struct Line {
    /// Middle of the blocks, samples, and the figure there.
    middle: (f64, f64),
    slope: f64,
    /// Variance of the slope, by the blocks' scatter about the line, and its degrees of freedom.
    variance: f64,
    degrees: f64,
}

impl Line {
    fn through(told: &[Told]) -> Option<Self> {
        if told.len() < FEWEST {
            return None;
        }
        let sum = |of: &dyn Fn(&Told) -> f64| told.iter().map(|t| of(t) / t.variance).sum::<f64>();
        let mass = sum(&|_| 1.0);
        let middle = (sum(&|t| t.at) / mass, sum(&|t| t.value) / mass);
        let spread = sum(&|t| (t.at - middle.0).powi(2));
        let slope = sum(&|t| (t.at - middle.0) * (t.value - middle.1)) / spread;
        let off = |t: &Told| t.value - middle.1 - slope * (t.at - middle.0);
        let degrees = (told.len() - 2) as f64;
        let variance = sum(&|t| off(t).powi(2)) / degrees / spread;
        let sound = mass > 0.0 && [mass, slope, variance].iter().all(|v| v.is_finite());
        sound.then_some(Self {
            middle,
            slope,
            variance,
            degrees,
        })
    }

    fn at(&self, sample: f64) -> f64 {
        self.middle.1 + self.slope * (sample - self.middle.0)
    }

    /// Probability that scatter alone shows as steep a line.
    fn chance(&self) -> f64 {
        let ratio = self.slope * self.slope / self.variance.max(f64::MIN_POSITIVE);
        1.0 - f_cdf(ratio, 1.0, self.degrees)
    }
}

/// The blocks that lie with their neighbours, as far as all do from the lines through those.
fn without_strays(told: &[Told]) -> Vec<Told> {
    let count = told.len();
    if count < FEWEST {
        return Vec::new();
    }
    let line = |i: usize, a: usize, b: usize| {
        let (one, other) = (told[a], told[b]);
        let slope = (other.value - one.value) / (other.at - one.at);
        let off = told[i].value - one.value - slope * (told[i].at - one.at);
        (off / told[i].variance.sqrt()).abs()
    };
    let stray = |i: usize| {
        let pairs = [
            (i.checked_sub(2), i.checked_sub(1)),
            (i.checked_sub(1), Some(i + 1)),
            (Some(i + 1), Some(i + 2)),
        ];
        let lines = pairs.into_iter().filter_map(|(a, b)| {
            let (a, b) = (a?, b.filter(|b| *b < count)?);
            Some(line(i, a, b))
        });
        lines.fold(f64::INFINITY, f64::min)
    };
    let strays: Vec<f64> = (0..count).map(stray).collect();
    let limit = FAR * normal_scale(&mut strays.clone());
    let kept = told.iter().zip(&strays).filter(|(_, s)| **s <= limit);
    kept.map(|(t, _)| *t).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn told(seed: u64, value: impl Fn(f64) -> f64) -> Vec<Told> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..40)
            .map(|i| {
                let at = 500.0 + 1000.0 * f64::from(i);
                let drawn: f64 = StandardNormal.sample(&mut rng);
                Told {
                    at,
                    value: value(at) + drawn,
                    // Known up to a factor only.
                    variance: 0.04,
                }
            })
            .collect()
    }

    /// One of a hundred may be taken for a drift: three come in one of fifty sets.
    #[test]
    fn scatter_is_no_drift() {
        let taken = (0..100).filter(|seed| Track::through(&told(*seed, |_| 3.0)).is_some());
        assert!(taken.count() <= 2);
    }

    /// Half a deviation a block: the slope of forty blocks is known to 1/73 of a deviation a block, the mean to 1/6.
    #[test]
    fn a_drift_is_followed_past_a_block_that_strays_and_its_error_is_told() {
        let line = |at: f64| 5e-4 * at - 7.0;
        let (mut squares, mut said) = (0.0, 0.0);
        for seed in 0..40 {
            let mut all = told(seed, line);
            all[17].value += 60.0;
            let track = Track::through(&all).unwrap();
            let errors: Vec<f64> = (0..400)
                .map(|i| 50.0 + 100.0 * f64::from(i))
                .map(|at| track.at(at) - line(at))
                .collect();
            let mean = errors.iter().sum::<f64>() / 400.0;
            squares += errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 400.0;
            said += track.variance;
        }
        assert!(squares / 40.0 < 0.1, "{squares}");
        assert!((0.5..2.0).contains(&(said / squares)), "{said} {squares}");
    }

    /// A constant figure of forty blocks of deviation 1: the slope over the record is known to 0.55, so that about 1.1²/12 is hidden
    /// and what the slope happens to be.
    #[test]
    fn what_scatter_hides_is_told() {
        let hidden = (0..40).map(|seed| Track::hidden(&told(seed, |_| 3.0), 40_000));
        let mean = hidden.sum::<f64>() / 40.0;
        assert!((0.1..0.35).contains(&mean), "{mean}");
    }

    #[test]
    fn few_blocks_tell_no_drift() {
        assert!(Track::through(&told(1, |at| at)[..5]).is_none());
        assert!(Track::hidden(&told(1, |at| at)[..5], 40_000) == 0.0);
        assert!(Track::through(&[]).is_none());
    }
}

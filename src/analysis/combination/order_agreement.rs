//! Whether the orders of a short record say the same frequency.
//!
//! Each order's own frequency follows from what the fit leaves beside it. Where they scatter by more than noise explains, lines
//! that are no orders stand among them, and the mean is as uncertain as they scatter (R. T. Birge, Phys. Rev. 40, 207, 1932).

use crate::analysis::series::SeriesFit;
use crate::numeric::vectorised;
use rustfft::num_complex::Complex64;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::f64::consts::TAU;

/// |c|² over its variance from which an order tells its frequency.
const STANDS: f64 = 20.0;
/// Probability of a scatter as large from noise alone, below which it is no noise's.
const PROVED: f64 = 1e-3;
/// Fewest orders of which one is told for a stranger, and the share of their scatter that is left without it.
const FEWEST: usize = 3;
const REST: f64 = 0.5;
/// Deviations by which low and high orders differ where they say two fundamentals, and by which one does that is not of the low ones'.
const PARTED: f64 = 5.0;
const ASIDE: f64 = 3.0;

/// How far an order's own place is from the series', cycles per sample, and that distance's variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stray {
    pub(crate) order: usize,
    pub(crate) distance: f64,
    pub(crate) variance: f64,
}

impl Stray {
    /// Weight and value of the fundamental that the order alone says, beside the fit's.
    fn fundamental(&self) -> (f64, f64) {
        let order = self.order as f64;
        (order * order / self.variance, self.distance / order)
    }
}

/// What the orders that can be heard say of their own frequencies. `residual`: what the fit leaves; `noise`: variance of the noise
/// per sample at each order, `None` of those that are not to be heard; `weights`: of the samples in the fit.
pub(crate) fn strays(
    fit: &SeriesFit,
    residual: &[f64],
    weights: &[f64],
    noise: impl Fn(usize) -> Option<f64>,
) -> Vec<Stray> {
    let middle = 0.5 * (residual.len() as f64 - 1.0);
    // Each sample's place, weighted, and what is left there.
    let weighted: Vec<f64> = weights
        .iter()
        .enumerate()
        .map(|(n, weight)| weight * (n as f64 - middle))
        .collect();
    let own = |(i, c): (usize, &Complex64)| {
        let order = i + 1;
        let stands = |noise: &f64| c.norm_sqr() * residual.len() as f64 > 2.0 * STANDS * noise;
        let noise = noise(order).filter(stands)?;
        let turn = TAU * fit.fundamental * order as f64;
        let start = c * Complex64::cis((-turn * middle) % TAU) * Complex64::i();
        let (score, squares) = against_slope(start, turn, &weighted, residual);
        (squares > 0.0).then(|| Stray {
            order,
            distance: score / squares / TAU,
            variance: noise / squares / (TAU * TAU),
        })
    };
    fit.harmonics.iter().enumerate().filter_map(own).collect()
}

/// Samples that turn together.
const LANES: usize = 8;

/// What is left times the change of an order with its frequency, and that change squared, summed. `start` and `turn`: the order's
/// derivative by its phase at the first sample, and by how much it turns from sample to sample.
fn against_slope(start: Complex64, turn: f64, weighted: &[f64], left: &[f64]) -> (f64, f64) {
    let (step, mut re, mut im) = (
        Complex64::cis(turn * LANES as f64),
        [0.0; LANES],
        [0.0; LANES],
    );
    for lane in 0..LANES {
        let own = start * Complex64::cis(turn * lane as f64);
        (re[lane], im[lane]) = (own.re, own.im);
    }
    let (mut score, mut squares) = ([0.0; LANES], [0.0; LANES]);
    let (places, last_places) = weighted.as_chunks::<LANES>();
    let (lefts, last_lefts) = left.as_chunks::<LANES>();
    vectorised(
        #[inline(always)]
        || {
            for (place, left) in places.iter().zip(lefts) {
                for i in 0..LANES {
                    let slope = place[i] * re[i];
                    score[i] += slope * left[i];
                    squares[i] += slope * slope;
                    (re[i], im[i]) = (
                        re[i] * step.re - im[i] * step.im,
                        re[i] * step.im + im[i] * step.re,
                    );
                }
            }
        },
    );
    for ((place, left), (re, i)) in last_places.iter().zip(last_lefts).zip(re.iter().zip(0..)) {
        let slope = place * re;
        score[i] += slope * left;
        squares[i] += slope * slope;
    }
    (score.iter().sum(), squares.iter().sum())
}

/// What orders together say of the fundamental.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Agreement {
    /// The fundamental beside the fit's, cycles per sample, and its variance from noise alone.
    pub(crate) fundamental: f64,
    pub(crate) variance: f64,
    /// Scatter over what noise makes of it, squared; 1 where noise explains it.
    pub(crate) ratio: f64,
    chi_squared: f64,
}

/// The agreement of orders; `None` of none.
pub(crate) fn agreement(strays: &[Stray]) -> Option<Agreement> {
    let sums = |power: i32| -> f64 {
        let own = strays.iter().map(Stray::fundamental);
        own.map(|(weight, value)| weight * value.powi(power)).sum()
    };
    let weight = sums(0);
    if !(weight > 0.0) {
        return None;
    }
    let fundamental = sums(1) / weight;
    let chi_squared = (sums(2) - weight * fundamental * fundamental).max(0.0);
    let free = strays.len().saturating_sub(1) as f64;
    let by_chance = ChiSquared::new(free).map_or(1.0, |d| d.sf(chi_squared));
    Some(Agreement {
        fundamental,
        variance: 1.0 / weight,
        ratio: if by_chance < PROVED {
            chi_squared / free
        } else {
            1.0
        },
        chi_squared,
    })
}

/// The order beyond the first without which the others agree best, where they do not agree with it, and that agreement. Of two
/// nothing tells which.
pub(crate) fn stranger(strays: &[Stray]) -> Option<(Stray, Agreement)> {
    let all = agreement(strays)?;
    if strays.len() < FEWEST || all.ratio <= 1.0 {
        return None;
    }
    let higher = strays.iter().filter(|own| own.order > 1);
    let without = higher.filter_map(|own| Some((*own, agreement(&others(strays, own))?)));
    let (own, rest) = without.min_by(|(_, a), (_, b)| a.chi_squared.total_cmp(&b.chi_squared))?;
    (rest.chi_squared < REST * all.chi_squared).then_some((own, rest))
}

/// The orders above one that say another fundamental than those below, and what those say: where the two differ most, and by more
/// than either scatters. Many that agree among themselves are the series: slow content bends the low ones.
pub(crate) fn parted(strays: &[Stray]) -> Option<(Vec<usize>, Agreement)> {
    let split = |m: usize| {
        let (low, high) = strays.split_at_checked(m)?;
        let (low, high) = (agreement(low)?, agreement(high)?);
        let variance = low.variance * low.ratio + high.variance * high.ratio;
        let miss = (low.fundamental - high.fundamental).abs() / variance.sqrt();
        Some((m, miss, low))
    };
    let splits = (1..strays.len()).filter_map(split);
    let (m, miss, low) = splits.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let others = strays.get(m..)?.iter().filter(|own| {
        let (weight, value) = own.fundamental();
        let variance = low.variance * low.ratio + 1.0 / weight;
        (value - low.fundamental).abs() > ASIDE * variance.sqrt()
    });
    let others: Vec<usize> = others.map(|own| own.order).collect();
    let among_themselves = agreement(strays.get(m..)?)?.ratio <= 1.0;
    let many = strays.len() - m >= FEWEST && among_themselves;
    (miss > PARTED && !many && !others.is_empty()).then_some((others, low))
}

/// All but one.
fn others(strays: &[Stray], own: &Stray) -> Vec<Stray> {
    let others = strays.iter().filter(|other| other.order != own.order);
    others.copied().collect()
}

/// How far the fundamental moves at most where one order is left out, squared.
pub(crate) fn hangs_on_one(strays: &[Stray]) -> f64 {
    let Some(all) = agreement(strays).filter(|all| all.ratio > 1.0) else {
        return 0.0;
    };
    let moved = strays.iter().filter_map(|own| {
        let rest = agreement(&others(strays, own))?;
        Some((rest.fundamental - all.fundamental).powi(2))
    });
    moved.fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const SAMPLES: usize = 400;
    const NOISE: f64 = 0.01;

    /// Five cycles of two orders, and what is left beside them where the second's frequency is off by so many cycles.
    fn ratio(off_cycles: f64) -> f64 {
        let fit = SeriesFit {
            fundamental: 5.0 / SAMPLES as f64,
            harmonics: vec![Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.0)],
            offset: 0.0,
            drift: 0.0,
            length: SAMPLES,
        };
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let residual: Vec<f64> = (0..SAMPLES)
            .map(|n| {
                let m = n as f64 - 0.5 * (SAMPLES as f64 - 1.0);
                let turn = |hz: f64| (TAU * hz * m).cos();
                let hz = 2.0 * fit.fundamental;
                let draw: f64 = StandardNormal.sample(&mut rng);
                0.5 * (turn(hz + off_cycles / SAMPLES as f64) - turn(hz)) + NOISE * draw
            })
            .collect();
        let all = strays(&fit, &residual, &[1.0; SAMPLES], |_| Some(NOISE * NOISE));
        agreement(&all).unwrap().ratio
    }

    #[test]
    fn orders_that_scatter_by_noise_alone_agree_and_a_strange_line_among_them_does_not() {
        assert_eq!(ratio(0.0), 1.0);
        assert!(ratio(0.1) > 100.0, "{}", ratio(0.1));
    }
}

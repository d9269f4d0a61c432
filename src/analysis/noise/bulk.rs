//! How much of a residual's power its bulk accounts for: the level that most blocks of time, or most bins of a stretch of
//! frequencies, agree on, over their mean.

use super::level::lower_third;
use super::noise_floor::NoiseFloor;

/// Deviations below 1 from which a share is one: of noise alone less than one in 700.
const STANDS_OUT: f64 = 3.0;
/// Widths of the tapers in a stretch of frequencies, and fewest bins that are looked at.
const WIDTHS: f64 = 8.0;
const LEAST_BINS: usize = 24;
/// Fewest blocks of time.
const LEAST_BLOCKS: usize = 16;

/// A share where it stands out, else 1.
fn proved(share: f64, deviation: f64) -> f64 {
    if share < 1.0 - STANDS_OUT * deviation {
        share
    } else {
        1.0
    }
}

/// The bulk's share in powers of `dof` degrees of freedom each.
pub(super) fn in_time(powers: &mut [f64], dof: f64) -> f64 {
    let count = powers.len() as f64;
    let mean = powers.iter().sum::<f64>() / count;
    if powers.len() < LEAST_BLOCKS || !(mean > 0.0) {
        return 1.0;
    }
    let share = lower_third(powers, dof) / mean;
    proved(share, (2.0 / (dof * count)).sqrt())
}

/// The bulk's share in a floor from a frequency on, each stretch of it taken to follow a power of frequency.
pub(crate) fn in_frequency(floor: &NoiseFloor, from_hz: f64) -> f64 {
    let free: Vec<usize> = (1..floor.density.len())
        .filter(|&b| floor.weight[b] > 0.0 && floor.density[b] > 0.0)
        .filter(|&b| b as f64 * floor.bin_hz >= from_hz)
        .collect();
    if free.len() < LEAST_BINS {
        return 1.0;
    }
    let stretches = (free.len() / (WIDTHS * (floor.tapers() + 1.0)) as usize).max(1);
    let (mut all, mut bulk, mut variance) = (0.0, 0.0, 0.0);
    for bins in free.chunks(free.len().div_ceil(stretches)) {
        let mut flat = flattened(floor, bins);
        let mean = flat.iter().sum::<f64>() / flat.len() as f64;
        let power: f64 = bins.iter().map(|&b| floor.density[b]).sum();
        all += power;
        bulk += power * lower_third(&mut flat, floor.bin_dof * floor.tapers()) / mean;
        variance += power * power * 2.0 / (floor.bin_dof * bins.len() as f64);
    }
    proved(bulk / all, variance.sqrt() / all)
}

/// Share of the power between two frequencies that lies below the level that a third of the bins agree on: what is left of
/// something else stands above it; 0 of too few bins.
pub(crate) fn below_level(floor: &NoiseFloor, low_hz: f64, high_hz: f64) -> f64 {
    let within = |b: &usize| (low_hz..=high_hz).contains(&(*b as f64 * floor.bin_hz));
    let bins: Vec<usize> = (1..floor.density.len()).filter(within).collect();
    let free = bins.iter().filter(|&&b| floor.weight[b] > 0.0);
    let mut values: Vec<f64> = free.map(|&b| floor.density[b]).collect();
    if values.len() < LEAST_BINS {
        return 0.0;
    }
    let level = lower_third(&mut values, floor.bin_dof * floor.tapers());
    let smooth = floor.smoothed();
    let all: f64 = bins.iter().map(|&b| floor.density[b]).sum();
    let below: f64 = bins.iter().map(|&b| smooth[b].min(level)).sum();
    (below / all).min(1.0)
}

/// Densities over the power of frequency that fits them best.
fn flattened(floor: &NoiseFloor, bins: &[usize]) -> Vec<f64> {
    let count = bins.len() as f64;
    let middle = bins.iter().map(|&b| (b as f64).ln()).sum::<f64>() / count;
    let (mut squares, mut moment) = (0.0, 0.0);
    for &b in bins {
        let x = (b as f64).ln() - middle;
        squares += x * x;
        moment += x * floor.density[b].ln();
    }
    let slope = if squares > 0.0 { moment / squares } else { 0.0 };
    let along = |b: usize| (slope * ((b as f64).ln() - middle)).exp();
    bins.iter().map(|&b| floor.density[b] / along(b)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Multitaper;
    use approx::assert_relative_eq;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// The floor of white noise with a slow wave of so many times its power.
    fn floor(wave: f64) -> NoiseFloor {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let samples: Vec<f64> = (0..20_000)
            .map(|n| {
                let draw: f64 = StandardNormal.sample(&mut rng);
                draw + (2.0 * wave).sqrt() * (0.02 * f64::from(n)).sin()
            })
            .collect();
        let estimator = Multitaper::new(samples.len(), 8);
        let mut density = estimator.start(1000.0);
        estimator.accumulate_less_line(&samples, (0.0, 0.0), &mut density);
        NoiseFloor::new(&estimator, &density, &[])
    }

    /// What noise alone shows below its own level is nearly all of it; a wave of its power stands above it.
    #[test]
    fn what_stands_above_the_level_of_most_bins_is_told() {
        for (wave, share) in [(0.0, 1.0), (1.0, 0.5), (10.0, 1.0 / 11.0)] {
            let found = below_level(&floor(wave), 1.0, 500.0);
            assert_relative_eq!(found, share, max_relative = 0.08);
        }
    }

    #[test]
    fn few_bins_tell_nothing() {
        assert_eq!(below_level(&floor(0.0), 1.0, 1.5), 0.0);
    }
}

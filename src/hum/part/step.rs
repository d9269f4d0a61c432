//! Hum that steps from one level to another: a load that was switched beside others.

use super::edge::{Hum, edge};
use super::levels::{FRAME_CYCLES, FRAMES_A_CYCLE, MOST_CYCLES, levels, quantile, swings};
use crate::hum::presence::look;
use crate::hum::present::Presence;

/// Fewest cycles of a record in which a step is looked for, and on either side of it.
const LEAST_IN_ALL: f64 = 14.0;
const LEAST_CYCLES: usize = 6;
/// Least ratio of the mean squares on both sides, and deviations of the cycles' scatter that it has to be.
const RATIO: f64 = 1.3;
const APART: f64 = 10.0;
/// Share of the step that frames may stray from the level of their side.
const STRAY: f64 = 0.35;
/// Least change of level against the larger.
const LEAST_CHANGE: f64 = 0.12;

/// Where a series near one of `nominals_hz` steps once from one level that stays to another, as first sample behind the step and the
/// variance of that; `None` where it does not.
pub(crate) fn level_step(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
) -> Option<(usize, f64)> {
    nominals_hz.iter().find_map(|&hz| {
        let coarse = coarse_step(samples, rate_hz / hz)?;
        // The cycles beside the step are compared at the frequency that the longer side tells.
        let longer = if 2 * coarse > samples.len() {
            &samples[..coarse]
        } else {
            &samples[coarse..]
        };
        let Presence::Present(seen) = look(longer, rate_hz, &[hz]) else {
            return None;
        };
        let cycle = rate_hz / seen.fundamental_hz;
        let coarse = coarse_step(samples, cycle)?;
        edge(samples, cycle, coarse, (Hum::Told, Hum::Told))
    })
}

/// The step to a frame.
fn coarse_step(samples: &[f64], cycle: f64) -> Option<usize> {
    let cycles = samples.len() as f64 / cycle;
    if !(LEAST_IN_ALL..MOST_CYCLES).contains(&cycles) || cycle < 8.0 {
        return None;
    }
    let swings: Vec<f64> = swings(samples, cycle).iter().map(|s| s.ln()).collect();
    if swings.iter().any(|s| !s.is_finite()) {
        return None;
    }
    let split = widest_split(&swings)?;
    let levels = levels(samples, cycle, 0.5)?;
    // Frames that the step may cross say neither.
    let crossed = (FRAME_CYCLES * FRAMES_A_CYCLE) as usize + FRAMES_A_CYCLE as usize;
    let frame = (split as f64 * FRAMES_A_CYCLE) as usize;
    let before = &levels[..frame.checked_sub(crossed)?];
    let after = levels.get(frame + 1..)?;
    let after = after.get(FRAMES_A_CYCLE as usize..)?;
    if before.is_empty() || after.is_empty() {
        return None;
    }
    let (low, high) = (quantile(before, 0.5), quantile(after, 0.5));
    let change = (high - low).abs();
    let strays = |side: &[f64], level: f64| side.iter().any(|l| (l - level).abs() > STRAY * change);
    if change < LEAST_CHANGE * low.max(high) || strays(before, low) || strays(after, high) {
        return None;
    }
    let middle = 0.5 * (low + high);
    let crossing = levels
        .iter()
        .position(|l| (*l > middle) == (high > middle))?;
    Some((crossing as f64 * cycle / FRAMES_A_CYCLE + 0.5 * FRAME_CYCLES * cycle) as usize)
}

/// The cycle from which the logarithms of the cycles' mean squares differ most from those before, where that is clear.
fn widest_split(logs: &[f64]) -> Option<usize> {
    let count = logs.len();
    if count < 2 * LEAST_CYCLES {
        return None;
    }
    let mean = logs.iter().sum::<f64>() / count as f64;
    let squares: f64 = logs.iter().map(|x| (x - mean).powi(2)).sum();
    let mut left = 0.0;
    let sums: Vec<f64> = logs
        .iter()
        .map(|x| {
            left += x - mean;
            left
        })
        .collect();
    let (split, change, deviation) = (LEAST_CYCLES..=count - LEAST_CYCLES)
        .map(|at| {
            // The sides' means differ by the left one's sum times this; what that explains of the squares is no scatter.
            let inverse = 1.0 / at as f64 + 1.0 / (count - at) as f64;
            let left = sums[at - 1];
            let within = (squares - left * left * inverse).max(0.0);
            let deviation = (within / (count - 2) as f64 * inverse).sqrt();
            (at, (left * inverse).abs(), deviation)
        })
        .max_by(|a, b| (a.1 / a.2.max(1e-12)).total_cmp(&(b.1 / b.2.max(1e-12))))?;
    (change > RATIO.ln() && change > APART * deviation).then_some(split)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

    fn record(level: impl Fn(f64) -> f64, noise: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..10_000)
            .map(|n| {
                let time = f64::from(n) / 1e4;
                let t = TAU * (50.03 * time).fract();
                let hum = t.cos() + 0.5 * (3.0 * t + 1.0).cos();
                level(time) * hum + noise * (rng.random::<f64>() - 0.5) + 0.4
            })
            .collect()
    }

    #[test]
    fn a_step_is_found_to_a_few_samples() {
        for (seed, (at, factor)) in [(0.2, 1.4), (0.5, 0.4), (0.83, 4.0)]
            .into_iter()
            .enumerate()
        {
            let level = |t: f64| if t < at { 1.0 } else { factor };
            let (found, variance) =
                level_step(&record(level, 0.1, seed as u64), 1e4, &[50.0, 60.0]).unwrap();
            let apart = found.abs_diff((at * 1e4) as usize);
            assert!(apart as f64 <= 4.0 * variance.sqrt() + 3.0, "{at}: {found}");
        }
    }

    #[test]
    fn what_stays_or_sways_has_no_step() {
        for seed in 0..10 {
            let sways = |t: f64| 1.0 + 0.2 * (TAU * 1.1 * t + seed as f64).sin();
            assert_eq!(level_step(&record(sways, 0.1, seed), 1e4, &[50.0]), None);
            assert_eq!(level_step(&record(|_| 1.0, 0.1, seed), 1e4, &[50.0]), None);
            assert_eq!(level_step(&record(|_| 1.0, 20.0, seed), 1e4, &[50.0]), None);
            let ramps = |t: f64| 0.4 + t;
            assert_eq!(level_step(&record(ramps, 0.1, seed), 1e4, &[50.0]), None);
        }
    }
}

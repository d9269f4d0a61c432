//! The offset of a record shorter than a mains cycle.
//!
//! Such a record cannot tell an offset from the hum's harmonics by itself: least squares of offset and
//! fundamental puts all higher orders into the offset. Here they are held by what hum is like
//! (Gaussian priors against the record's own scatter; common practice, no source): the third order at 0.4 of the
//! fundamental, odd ones falling as 1.2/k, even ones as 0.4/k. The posterior's width is what the
//! record leaves open. Where the nominal frequency is not stated both are weighed by their evidence.
//! Source of the formulas: A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, ch. 14.

use crate::numeric::Cholesky;
use std::f64::consts::TAU;

const HIGHEST_ORDER: usize = 9;
/// Points to which the record is averaged.
const POINTS: usize = 256;

/// Mean and variance of the offset, white noise of `noise_variance` a sample granted.
pub(crate) fn offset(
    samples: &[f64],
    rate_hz: f64,
    nominals_hz: &[f64],
    noise_variance: f64,
) -> Option<(f64, f64)> {
    let block = samples.len().div_ceil(POINTS).max(1);
    let points: Vec<(f64, f64)> = samples
        .chunks(block)
        .enumerate()
        .map(|(i, part)| {
            let time_s = ((i * block) as f64 + 0.5 * (part.len() as f64 - 1.0)) / rate_hz;
            (time_s, part.iter().sum::<f64>() / part.len() as f64)
        })
        .collect();
    let variance = noise_variance / block as f64;
    let parts: Vec<(f64, f64, f64)> = nominals_hz
        .iter()
        .filter_map(|&hz| posterior(&points, hz, variance))
        .collect();
    let best = parts
        .iter()
        .fold(f64::NEG_INFINITY, |best, p| best.max(p.2));
    let total: f64 = parts.iter().map(|p| (p.2 - best).exp()).sum();
    let share = |p: &(f64, f64, f64)| (p.2 - best).exp() / total;
    let mean: f64 = parts.iter().map(|p| share(p) * p.0).sum();
    let spread: f64 = parts
        .iter()
        .map(|p| share(p) * (p.1 + (p.0 - mean).powi(2)))
        .sum();
    (!parts.is_empty()).then_some((mean, spread))
}

/// Mean and variance of the offset and the logarithm of the evidence at one fundamental.
fn posterior(points: &[(f64, f64)], hz: f64, noise: f64) -> Option<(f64, f64, f64)> {
    let count = points.len() as f64;
    let mean = points.iter().map(|p| p.1).sum::<f64>() / count;
    let scatter = points.iter().map(|p| (p.1 - mean).powi(2)).sum::<f64>() / count;
    if !(scatter > 0.0) {
        return None;
    }
    let noise = noise.max(1e-9 * scatter);
    // Variance of each component: ½(ratio·A)² with A² = 2·scatter.
    let mut prior = vec![1e4 * (scatter + mean * mean)];
    for k in 1..=HIGHEST_ORDER {
        let ratio = match k {
            1 => 3.0,
            k if k % 2 == 1 => 1.2 / k as f64,
            k => 0.4 / k as f64,
        };
        prior.extend([ratio * ratio * scatter; 2]);
    }
    let size = prior.len();
    let mut normal = vec![0.0; size * size];
    let mut right = vec![0.0; size];
    let mut squares = 0.0;
    for &(time, y) in points {
        let mut row = vec![1.0];
        for k in 1..=HIGHEST_ORDER {
            let (s, c) = (TAU * (k as f64 * hz * time).fract()).sin_cos();
            row.extend([c, s]);
        }
        for i in 0..size {
            right[i] += row[i] * y / noise;
            for j in 0..=i {
                normal[i * size + j] += row[i] * row[j] / noise;
            }
        }
        squares += y * y / noise;
    }
    for i in 0..size {
        normal[i * size + i] += 1.0 / prior[i];
    }
    let factor = Cholesky::new(size, normal)?;
    let mut theta = right.clone();
    factor.solve(&mut theta);
    let explained: f64 = right.iter().zip(&theta).map(|(b, t)| b * t).sum();
    let mut first = vec![0.0; size];
    first[0] = 1.0;
    factor.solve(&mut first);
    let log_prior: f64 = prior.iter().map(|v| v.ln()).sum();
    let evidence = -0.5 * (squares - explained + factor.log_determinant() + log_prior);
    Some((theta[0], first[0], evidence))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fundamental and third order over 0.6 to 0.95 cycles at sixteen phases: the interval of three standard
    /// uncertainties holds the offset, which the record's mean misses.
    #[test]
    fn harmonics_are_in_the_interval() {
        let mut missed = 0;
        for cycles in [0.6, 0.8, 0.95] {
            for turn in 0..16 {
                let phase = TAU * f64::from(turn) / 16.0;
                let count = (cycles * 200.0) as i32;
                let x: Vec<f64> = (0..count)
                    .map(|n| {
                        let at = TAU * 50.0 * f64::from(n) / 10_000.0;
                        0.3 + (at + phase).cos() + 0.3 * (3.0 * at + 2.0 * phase).cos()
                    })
                    .collect();
                let (value, variance) = offset(&x, 10_000.0, &[50.0, 60.0], 1e-4).unwrap();
                assert!(
                    (value - 0.3).abs() < 3.0 * variance.sqrt(),
                    "{cycles} {turn}"
                );
                let mean = x.iter().sum::<f64>() / f64::from(count);
                missed += i32::from((mean - 0.3).abs() > (value - 0.3).abs());
            }
        }
        assert!(missed > 40, "{missed} of 48 nearer than the mean");
    }
}

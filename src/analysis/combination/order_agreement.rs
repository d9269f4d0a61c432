//! Whether the orders of a short record say the same frequency.
//!
//! Each order's own frequency follows from what the fit leaves beside it. Where they scatter by more than noise explains, lines
//! that are no orders stand among them, and the mean is as uncertain as they scatter (R. T. Birge, Phys. Rev. 40, 207, 1932).

use crate::analysis::series::SeriesFit;
use rustfft::num_complex::Complex64;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::f64::consts::TAU;

/// |c|² over its variance from which an order tells its frequency.
const STANDS: f64 = 20.0;
/// Probability of a scatter as large from noise alone, below which it is no noise's.
const PROVED: f64 = 1e-3;

/// The ratio of the orders' scatter to what noise makes of it, squared; 1 where noise explains it. `noise`: variance of the noise
/// per sample at each order, `None` of those that are not to be heard; `weights`: of the samples in the fit.
pub(crate) fn birge_ratio(
    fit: &SeriesFit,
    residual: &[f64],
    weights: &[f64],
    noise: impl Fn(usize) -> Option<f64>,
) -> f64 {
    let middle = 0.5 * (residual.len() as f64 - 1.0);
    let (mut chi_squared, mut heard) = (0.0, 0);
    for (i, c) in fit.harmonics.iter().enumerate() {
        let order = i + 1;
        let stands = |noise: &f64| c.norm_sqr() * residual.len() as f64 > 2.0 * STANDS * noise;
        let Some(noise) = noise(order).filter(stands) else {
            continue;
        };
        let turn = TAU * fit.fundamental * order as f64;
        let step = Complex64::cis(turn);
        let mut line = c * Complex64::cis((-turn * middle) % TAU) * Complex64::i();
        let (mut score, mut variance) = (0.0, 0.0);
        for ((n, left), weight) in residual.iter().enumerate().zip(weights) {
            // The order's change with its frequency.
            let slope = weight * (n as f64 - middle) * line.re;
            score += slope * left;
            variance += slope * slope;
            line *= step;
        }
        chi_squared += score * score / (noise * variance).max(f64::MIN_POSITIVE);
        heard += 1;
    }
    if heard < 2 {
        return 1.0;
    }
    let free = f64::from(heard - 1);
    let by_chance = ChiSquared::new(free).map_or(1.0, |d| d.sf(chi_squared));
    if by_chance < PROVED {
        chi_squared / free
    } else {
        1.0
    }
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
        birge_ratio(&fit, &residual, &[1.0; SAMPLES], |_| Some(NOISE * NOISE))
    }

    #[test]
    fn orders_that_scatter_by_noise_alone_agree_and_a_strange_line_among_them_does_not() {
        assert_eq!(ratio(0.0), 1.0);
        assert!(ratio(0.1) > 100.0, "{}", ratio(0.1));
    }
}

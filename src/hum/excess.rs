//! What is left of a record beside each order, against what the noise alone would leave there.
//!
//! An order that moves while its amplitude is held, slow content or a step that leaks to it, another's line next to it: all of
//! these leave more beside the order than the noise's level says, and move the order's own fit by as much.

use crate::spectrum::{Nudft, Weighting};

/// Distances from an order, cells of 1/T: next to what the fit itself took out, and no farther than the error it speaks of.
const RECTANGULAR: [f64; 6] = [-2.6, -1.8, -1.3, 1.3, 1.8, 2.6];
const HANN: [f64; 6] = [-3.6, -2.8, -2.1, 2.1, 2.8, 3.6];
/// Mean square of Hann weights.
const HANN_POWER: f64 = 0.375;
/// Fewest samples of a segment that is looked at.
const LEAST_SAMPLES: usize = 16;

/// Power left beside each order over what noise of `noise` (variance a sample, by order, that of the offset first) leaves,
/// and the degrees of freedom with which each is known.
///
/// `pieces` are the residuals of the record's segments with the fundamental of each, cycles per sample.
pub(crate) fn excess(
    pieces: &[(&[f64], f64)],
    weighting: Weighting,
    noise: &[f64],
) -> (Vec<f64>, f64) {
    let orders = noise.len().saturating_sub(1);
    let mut sums = vec![0.0; orders];
    let mut count = 0usize;
    for (samples, fundamental) in pieces {
        if samples.len() < LEAST_SAMPLES {
            continue;
        }
        count += 1;
        let transform = Nudft::new(samples);
        for (i, sum) in sums.iter_mut().enumerate() {
            let place = (i + 1) as f64 * fundamental;
            *sum += ratio_at(&transform, place, weighting, noise[i + 1]);
        }
    }
    // Two real components at each place, a third of them shared between neighbours.
    let dof = (4.0 * RECTANGULAR.len() as f64 / 3.0) * count as f64;
    let ratios = sums.iter().map(|sum| sum / count.max(1) as f64);
    (ratios.collect(), dof)
}

/// The same of one piece beside one place, cycles per sample.
pub(crate) fn excess_at(samples: &[f64], place: f64, weighting: Weighting, noise: f64) -> f64 {
    if samples.len() < LEAST_SAMPLES {
        return 1.0;
    }
    ratio_at(&Nudft::new(samples), place, weighting, noise)
}

fn ratio_at(transform: &Nudft, place: f64, weighting: Weighting, noise: f64) -> f64 {
    let (distances, spread) = match weighting {
        Weighting::Rectangular => (RECTANGULAR, 1.0),
        Weighting::Hann => (HANN, HANN_POWER),
    };
    let cell = 1.0 / transform.len() as f64;
    let power = |nu: f64| match weighting {
        Weighting::Rectangular => transform.at(nu).norm_sqr(),
        Weighting::Hann => {
            let beside = transform.at(nu - cell) + transform.at(nu + cell);
            (0.5 * transform.at(nu) + 0.25 * beside).norm_sqr()
        }
    };
    let powers = distances.map(|d| power(place + d * cell));
    let mean = powers.iter().sum::<f64>() / distances.len() as f64;
    let expected = noise * transform.len() as f64 * spread;
    mean / expected.max(f64::MIN_POSITIVE)
}

//! Missing and clipped samples, filled from what the rest of a segment says.
//!
//! A missing sample says nothing. A clipped one says that it lies beyond the limit, so leaving it out would
//! keep only those whose noise points inwards: the fit is that of a censored regression instead, the
//! clipped samples held at their conditional expectation (J. Tobin, Econometrica 26(1), 1958; iterated as in
//! A. P. Dempster, N. M. Laird & D. B. Rubin, J. R. Stat. Soc. B 39(1), 1977). Noise is taken as white there.

use crate::analysis::series::SegmentFit;
use crate::numeric::Cholesky;
use crate::stats::{normal_cdf, normal_pdf};
use std::f64::consts::TAU;

/// Most iterations, and change against the noise at which they end.
const ROUNDS: usize = 200;
const STANDS: f64 = 1e-4;

/// A place without a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gap {
    /// Index in the stream.
    pub(crate) at: usize,
    pub(crate) kind: GapKind,
}

/// What is known of the sample that should stand there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum GapKind {
    Missing,
    /// Above or below a limit.
    Above(f64),
    Below(f64),
}

impl GapKind {
    /// Mean and variance given a Gaussian (mean, deviation) and what is known.
    ///
    /// Beyond z = (L−μ)/σ: μ + σλ and σ²(1 − λ(λ−z)) with λ = φ(z)/(1−Φ(z)).
    fn expected(self, mean: f64, deviation: f64) -> (f64, f64) {
        let beyond = |limit: f64, sign: f64| {
            let z = sign * (limit - mean) / deviation;
            let tail = normal_cdf(-z);
            // Mills' ratio far out: λ → z + 1/z.
            let lambda = if z > 8.0 || tail <= 0.0 {
                z + 1.0 / z
            } else {
                normal_pdf(z) / tail
            };
            let share = (1.0 - lambda * (lambda - z)).clamp(0.0, 1.0);
            (
                mean + sign * deviation * lambda,
                deviation * deviation * share,
            )
        };
        match self {
            Self::Missing => (mean, deviation * deviation),
            Self::Above(limit) => beyond(limit, 1.0),
            Self::Below(limit) => beyond(limit, -1.0),
        }
    }
}

/// What filling a segment did.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Filled {
    /// Largest change of a filled sample, and the noise's deviation.
    pub(crate) largest: f64,
    pub(crate) deviation: f64,
    /// Noise that the filled samples lack, in samples.
    pub(crate) lost: f64,
}

/// Fills a segment's gaps (`first` is its place in the stream) from the offset, drift and `orders` of a
/// fit to everything else.
pub(crate) fn fill(
    samples: &mut [f64],
    first: usize,
    gaps: &[Gap],
    segment: &SegmentFit,
    orders: &[usize],
) -> Filled {
    let middle = 0.5 * (samples.len() as f64 - 1.0);
    let half = 0.5 * samples.len() as f64;
    let size = 2 + 2 * orders.len();
    let row = |n: usize| {
        let m = n as f64 - middle;
        let mut row = Vec::with_capacity(size);
        row.extend([1.0, m / half]);
        for &k in orders {
            let (s, c) = (TAU * (segment.fit.fundamental * k as f64 * m).fract()).sin_cos();
            row.extend([c, s]);
        }
        row
    };
    let mut normal = vec![0.0; size * size];
    let mut right = vec![0.0; size];
    let (mut squares, mut used) = (0.0, 0.0);
    let add = |normal: &mut [f64], row: &[f64]| {
        for i in 0..size {
            for j in 0..=i {
                normal[i * size + j] += row[i] * row[j];
            }
        }
    };
    let mut next = gaps.iter().peekable();
    for (n, &x) in samples.iter().enumerate() {
        if next.next_if(|g| g.at == first + n).is_some() {
            continue;
        }
        let row = row(n);
        for (r, value) in right.iter_mut().zip(&row) {
            *r += value * x;
        }
        add(&mut normal, &row);
        squares += x * x;
        used += 1.0;
    }
    let rows: Vec<Vec<f64>> = gaps.iter().map(|g| row(g.at - first)).collect();
    // Clipped samples take part in the fit with their expectation; missing ones do not.
    let (known, known_right) = (normal.clone(), right.clone());
    for (gap, row) in gaps.iter().zip(&rows) {
        if gap.kind != GapKind::Missing {
            add(&mut normal, row);
        }
    }
    let Some(factor) = Cholesky::new(size, normal) else {
        return Filled::default();
    };
    let before: Vec<f64> = gaps.iter().map(|g| samples[g.at - first]).collect();
    let mut values = before.clone();
    let mut outcome = Filled::default();
    let mut spread = vec![0.0; gaps.len()];
    for _ in 0..ROUNDS {
        let mut theta = known_right.clone();
        let mut count = used;
        for ((gap, row), value) in gaps.iter().zip(&rows).zip(&values) {
            if gap.kind != GapKind::Missing {
                for (t, r) in theta.iter_mut().zip(row) {
                    *t += r * value;
                }
                count += 1.0;
            }
        }
        factor.solve(&mut theta);
        let model = |row: &[f64]| row.iter().zip(&theta).map(|(a, b)| a * b).sum::<f64>();
        // Σ(x − Aθ)² over the known samples.
        let mut rest = squares;
        for i in 0..size {
            rest -= 2.0 * theta[i] * known_right[i];
            for j in 0..=i {
                let both = if i == j { 1.0 } else { 2.0 };
                rest += both * theta[i] * theta[j] * known[i * size + j];
            }
        }
        rest = rest.max(1e-14 * squares);
        for (((gap, row), value), spread) in gaps.iter().zip(&rows).zip(&values).zip(&spread) {
            if gap.kind != GapKind::Missing {
                rest += (value - model(row)).powi(2) + spread;
            }
        }
        outcome.deviation = (rest / (count - size as f64).max(1.0))
            .sqrt()
            .max(f64::MIN_POSITIVE);
        let mut moved: f64 = 0.0;
        for (((gap, row), value), spread) in
            gaps.iter().zip(&rows).zip(&mut values).zip(&mut spread)
        {
            let (expected, variance) = gap.kind.expected(model(row), outcome.deviation);
            moved = moved.max((expected - *value).abs());
            (*value, *spread) = (expected, variance);
        }
        if moved < STANDS * outcome.deviation {
            break;
        }
    }
    for ((gap, value), before) in gaps.iter().zip(&values).zip(&before) {
        samples[gap.at - first] = *value;
        outcome.largest = outcome.largest.max((value - before).abs());
    }
    outcome.lost = spread.iter().sum::<f64>() / outcome.deviation.powi(2);
    outcome
}

/// Fills gaps with what is expected there given the noise-free input and the noise's deviation.
pub(crate) fn fill_beyond(
    samples: &mut [f64],
    gaps: &[Gap],
    means: &[f64],
    deviation: f64,
) -> Filled {
    let mut lost = 0.0;
    for gap in gaps {
        let (expected, variance) = gap.kind.expected(means[gap.at], deviation);
        samples[gap.at] = expected;
        lost += variance / (deviation * deviation);
    }
    Filled {
        deviation,
        lost,
        ..Filled::default()
    }
}

/// Straight lines across what is not finite.
pub(crate) fn bridge(samples: &mut [f64]) {
    let mut last: Option<(usize, f64)> = None;
    for i in 0..samples.len() {
        let x = samples[i];
        if !x.is_finite() {
            continue;
        }
        match last {
            None => samples[..i].fill(x),
            Some((from, value)) => {
                for (j, slot) in samples[from + 1..i].iter_mut().enumerate() {
                    *slot = value + (x - value) * (j + 1) as f64 / (i - from) as f64;
                }
            }
        }
        last = Some((i, x));
    }
    match last {
        Some((from, value)) => samples[from + 1..].fill(value),
        None => samples.fill(0.0),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::analysis::series::FitSettings;
    use crate::spectrum::{Nudft, Weighting};
    use rand::{RngExt, SeedableRng};

    /// A sine with an eighth and more of its samples beyond the limit: the mean of the filled record over 200 seeds is
    /// that of the unclipped one within four standard errors; leaving the clipped ones out is a tenth of the
    /// noise off.
    #[test]
    fn clipped_samples_are_held_at_their_expectation() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let (count, limit) = (1000usize, 1.6);
        let (mut error, mut squares) = (0.0, 0.0);
        for _ in 0..200 {
            let whole: Vec<f64> = (0..count)
                .map(|n| {
                    let noise = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
                    2.0 * (TAU * 0.01 * n as f64).cos() + noise
                })
                .collect();
            let gaps: Vec<Gap> = (0..count)
                .filter(|&n| whole[n] > limit)
                .map(|at| Gap {
                    at,
                    kind: GapKind::Above(limit),
                })
                .collect();
            let mut clipped: Vec<f64> = whole.iter().map(|x| x.min(limit)).collect();
            let settings = FitSettings {
                weighting: Weighting::Rectangular,
                orders: 1,
                noise: vec![1.0; 2],
                range: (0.009, 0.011),
                prior: None,
                aside: Vec::new(),
                muted: Vec::new(),
                moved: Vec::new(),
            };
            let segment = settings
                .fit_at(&Nudft::new(&clipped), 0.5 * (count as f64 - 1.0), 0.01)
                .unwrap();
            let filled = fill(&mut clipped, 0, &gaps, &segment, &[1]);
            assert!((filled.deviation - 1.0).abs() < 0.15);
            assert!(gaps.len() > count / 8 && filled.lost > 0.1 * gaps.len() as f64);
            let mean = clipped.iter().sum::<f64>() / count as f64;
            error += mean;
            squares += mean * mean;
        }
        let (mean, scatter) = (error / 200.0, (squares / 200.0).sqrt());
        assert!(
            mean.abs() < 4.0 * scatter / 200f64.sqrt(),
            "{mean} of {scatter}"
        );
        // Complete records: 1/√1000.
        assert!(scatter < 1.25 / (count as f64).sqrt(), "{scatter}");
    }
}

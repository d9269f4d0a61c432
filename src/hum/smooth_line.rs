//! A smooth line through a stretch of samples: least squares on cubic B-splines with even knots.
//!
//! With knots a whole number of mains cycles apart, the splines' own spectrum (sin πfh/πfh)⁴ has its zeros on the mains and
//! its harmonics: they do not bend the line (de Boor, A Practical Guide to Splines, 1978, for the basis).

use crate::numeric::plain_dot;

/// Non-zero splines at one place.
const ORDER: usize = 4;

/// The smooth line at every sample, with knots `spacing` samples apart (stretched to fit). Samples whose `skip` is set do
/// not count. A straight line, or a mean, where there is too little for splines.
pub(crate) fn smooth_line(samples: &[f64], skip: &[bool], spacing: f64) -> Vec<f64> {
    let count = samples.len();
    let intervals = (count as f64 / spacing.max(1.0)).floor() as usize;
    let used = skip.iter().filter(|s| !**s).count();
    if intervals < 1 || used < 2 * (intervals + ORDER) {
        return vec![mean(samples, skip); count];
    }
    let size = intervals + ORDER - 1;
    let step = count as f64 / intervals as f64;
    // Upper band of the normal equations, row by row: entry (i, i + d) at i·4 + d.
    let mut band = vec![0.0; size * ORDER];
    let mut right = vec![0.0; size];
    for (n, x) in samples.iter().enumerate().filter(|(n, _)| !skip[*n]) {
        let (first, weights) = basis(n, step, intervals);
        for (i, w) in weights.iter().enumerate() {
            right[first + i] += w * x;
            for (j, v) in weights.iter().enumerate().skip(i) {
                band[(first + i) * ORDER + j - i] += w * v;
            }
        }
    }
    // Where nothing was counted the line goes on: a little stiffness in the second differences.
    let stiffness = 1e-9 * used as f64 / size as f64;
    for i in 0..size.saturating_sub(2) {
        for (a, own) in [1.0, -2.0, 1.0].into_iter().enumerate() {
            for (b, other) in [1.0, -2.0, 1.0].into_iter().enumerate().skip(a) {
                band[(i + a) * ORDER + b - a] += stiffness * own * other;
            }
        }
    }
    solve(&mut band, &mut right);
    (0..count)
        .map(|n| {
            let (first, weights) = basis(n, step, intervals);
            plain_dot(&weights, &right[first..])
        })
        .collect()
}

fn mean(samples: &[f64], skip: &[bool]) -> f64 {
    let used = samples.iter().zip(skip).filter(|(_, skip)| !**skip);
    let (sum, count) = used.fold((0.0, 0usize), |(s, n), (x, _)| (s + x, n + 1));
    if count > 0 {
        sum / count as f64
    } else {
        samples.iter().sum::<f64>() / samples.len().max(1) as f64
    }
}

/// The four splines that are not zero at sample `n`, and the index of the first.
fn basis(n: usize, step: f64, intervals: usize) -> (usize, [f64; ORDER]) {
    let place = (n as f64 + 0.5) / step;
    let interval = (place as usize).min(intervals - 1);
    let t = place - interval as f64;
    let (t2, t3) = (t * t, t * t * t);
    let r = 1.0 - t;
    let weights = [
        r * r * r / 6.0,
        (3.0 * t3 - 6.0 * t2 + 4.0) / 6.0,
        (-3.0 * t3 + 3.0 * t2 + 3.0 * t + 1.0) / 6.0,
        t3 / 6.0,
    ];
    (interval, weights)
}

/// Solves a symmetric positive definite system of three off-diagonals in place (Golub & Van Loan, Matrix Computations).
fn solve(band: &mut [f64], right: &mut [f64]) {
    let size = right.len();
    let floor = (0..size).map(|i| band[i * ORDER]).fold(0.0, f64::max) * 1e-13 + f64::MIN_POSITIVE;
    for i in 0..size {
        let pivot = band[i * ORDER].max(floor);
        band[i * ORDER] = pivot;
        for d in 1..ORDER.min(size - i) {
            let factor = band[i * ORDER + d] / pivot;
            for e in d..ORDER.min(size - i) {
                band[(i + d) * ORDER + e - d] -= factor * band[i * ORDER + e];
            }
            right[i + d] -= factor * right[i];
        }
    }
    for i in (0..size).rev() {
        let mut value = right[i];
        for d in 1..ORDER.min(size - i) {
            value -= band[i * ORDER + d] * right[i + d];
        }
        right[i] = value / band[i * ORDER];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_parabola_is_followed_and_hum_is_not() {
        let line = |n: usize| 3.0 + 1e-3 * n as f64 - 2e-6 * (n as f64 - 400.0).powi(2);
        let samples: Vec<f64> = (0..2000)
            .map(|n| line(n) + (std::f64::consts::TAU * n as f64 / 100.0).sin())
            .collect();
        let smooth = smooth_line(&samples, &vec![false; 2000], 200.0);
        // Orthogonal to the hum but at the ends, whose error falls by 0.27 a knot.
        for n in 900..1100 {
            assert_relative_eq!(smooth[n], line(n), epsilon = 0.01);
        }
    }

    #[test]
    fn skipped_samples_do_not_count() {
        let mut samples = vec![1.0; 1000];
        let mut skip = vec![false; 1000];
        for n in 300..420 {
            samples[n] = 1e6;
            skip[n] = true;
        }
        for value in smooth_line(&samples, &skip, 50.0) {
            assert_relative_eq!(value, 1.0, epsilon = 1e-6);
        }
    }
}

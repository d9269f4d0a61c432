//! The converter's step, found in the values, and what rounding does to a mean.

use std::f64::consts::PI;

/// The step of evenly spaced levels, in the unit of the values; `None` where they show none.
///
/// The smallest difference between distinct values, accepted where every value lies within a fiftieth of a step of its
/// grid and there are at least two values for each level; what is not finite is passed over.
#[must_use]
pub fn infer_step(values: &[f64]) -> Option<f64> {
    if mostly_distinct(values) {
        return None;
    }
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let count = sorted.len();
    sorted.dedup();
    if sorted.len() < 2 || sorted.len() * 2 > count {
        return None;
    }
    let base = sorted[0];
    let largest = sorted.last().map_or(0.0, |v| v.abs()).max(base.abs());
    let smallest = sorted
        .windows(2)
        .map(|w| w[1] - w[0])
        .fold(f64::INFINITY, f64::min);
    if smallest < largest * 1e-12 {
        return None;
    }
    // Refine on the widest span, so that rounding in the last digit of the file does not add up.
    let mut step = smallest;
    for &value in &sorted {
        let levels = ((value - base) / step).round();
        if levels > 0.0 && ((value - base) / step - levels).abs() < 0.1 {
            step = (value - base) / levels;
        }
    }
    let tolerance = 1e-3 + largest * 1e-15 / step;
    sorted
        .iter()
        .all(|v| {
            let levels = (v - base) / step;
            (levels - levels.round()).abs() < tolerance.max(0.02)
        })
        .then_some(step)
}

/// Whether more than half of the finite values are surely distinct: told by the number of places that they
/// are scattered to, which two may share.
fn mostly_distinct(values: &[f64]) -> bool {
    const PLACES: u32 = 17;
    let mut taken = vec![0u64; 1 << (PLACES - 6)];
    let (mut distinct, mut count) = (0usize, 0usize);
    for &value in values.iter().filter(|v| v.is_finite()) {
        // Fibonacci hashing (Knuth, TAOCP vol. 3, 6.4); the sum makes −0 the same as 0.
        let hash = (value + 0.0).to_bits().wrapping_mul(0x9E37_79B9_7F4A_7C15) >> (64 - PLACES);
        let (word, bit) = ((hash >> 6) as usize, 1u64 << (hash & 63));
        distinct += usize::from(taken[word] & bit == 0);
        taken[word] |= bit;
        count += 1;
    }
    distinct * 2 > count
}

/// Largest bias that rounding can give to the mean of a signal: a Gaussian part of standard
/// deviation `deviation` and sines of the given peak amplitudes, on the worst place between two levels.
///
/// (q/π)·exp(−2π²σ²/q²)·Π|J0(2πA/q)|, the first term of the characteristic-function series, at
/// most q/2; not a number for a step that is not positive or a deviation that is negative. Source: B. Widrow and
/// I. Kollár, Quantization Noise, 2008, ch. 5 and app. G; J0 by its envelope.
#[must_use]
pub fn rounding_bias(step: f64, deviation: f64, peaks: impl IntoIterator<Item = f64>) -> f64 {
    if !(step > 0.0 && step.is_finite() && deviation >= 0.0) {
        return f64::NAN;
    }
    let gaussian = (-2.0 * (PI * deviation / step).powi(2)).exp();
    let sines: f64 = peaks
        .into_iter()
        .map(|a| bessel_j0_envelope(2.0 * PI * a / step))
        .product();
    (step / PI * gaussian * sines).min(0.5 * step)
        * if gaussian * sines > 0.9 {
            PI / 2.0
        } else {
            1.0
        }
}

/// Largest peak of a line that rounding can make of a Gaussian part of standard deviation `deviation` and a sine of
/// peak amplitude `peak`.
///
/// Line k of the rounding error is (2q/π)·Σ (−1)ⁿ/n·exp(−2π²n²σ²/q²)·J_k(2πnA/q) (B. Widrow and I. Kollár,
/// Quantization Noise, 2008, ch. 5 and app. G); |J_k| by √(2/πx), at most the largest of J₁ and, J₀ being no line,
/// of all orders, 0.582.
#[must_use]
pub fn rounding_line(step: f64, deviation: f64, peak: f64) -> f64 {
    let sum: f64 = (1..=30)
        .map(f64::from)
        .map(|n| {
            let bessel = (step / (PI * PI * n * peak.max(1e-3 * step)))
                .sqrt()
                .min(0.582);
            (-2.0 * (PI * n * deviation / step).powi(2)).exp() * bessel / n
        })
        .sum();
    2.0 * step / PI * sum
}

/// √(2/πx) beyond 0.9, below it the series' first terms: nowhere below |J0|.
fn bessel_j0_envelope(x: f64) -> f64 {
    if x < 0.9 {
        1.0 - 0.25 * x * x + x.powi(4) / 64.0
    } else {
        (2.0 / (PI * x)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn finds_the_step_and_refuses_smooth_values() {
        let coarse: Vec<f64> = (0..1000)
            .map(|i| (f64::from(i) * 0.1).sin())
            .map(|v| (v / 0.005).round() * 0.005)
            .collect();
        assert_relative_eq!(infer_step(&coarse).unwrap(), 0.005, max_relative = 1e-9);
        let smooth: Vec<f64> = (0..1000).map(|i| (f64::from(i) * 0.1).sin()).collect();
        assert_eq!(infer_step(&smooth), None);
        assert_eq!(infer_step(&[1.0; 50]), None);
    }

    /// Reference README Q3: worst bias of the mean after rounding, Gaussian 0.3, 0.4, 0.5 LSB.
    #[test]
    fn rounding_bias_is_that_of_widrow_and_kollar() {
        for (deviation, bias) in [(0.3, 0.05387), (0.4, 0.01353), (0.5, 0.00229)] {
            assert_relative_eq!(rounding_bias(1.0, deviation, []), bias, max_relative = 2e-3);
        }
    }
}

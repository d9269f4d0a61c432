//! The bounds that a plan rests on.

/// Amplitude of a line, in standard deviations of one of its two components, that is found with
/// probability `power` when noise alone is taken for a line with probability `false_alarm`.
///
/// The squared magnitude is noncentral chi-square with two degrees of freedom (Rice, Bell System
/// Technical Journal 23/24, 1944/45); the threshold is √(−2 ln `false_alarm`).
#[must_use]
pub fn detectable_ratio(false_alarm: f64, power: f64) -> f64 {
    let threshold = -2.0 * false_alarm.max(f64::MIN_POSITIVE).ln();
    let (mut low, mut high) = (0.0, threshold.sqrt() + 12.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if upper_tail(threshold, middle * middle) < power {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// P(X > x) of noncentral chi-square with 2 degrees of freedom: a Poisson mixture of central ones.
fn upper_tail(x: f64, noncentrality: f64) -> f64 {
    let (half_x, half_l) = (0.5 * x, 0.5 * noncentrality);
    let mut weight = (-half_l).exp();
    let mut term = (-half_x).exp();
    let mut tail = term;
    let mut sum = weight * tail;
    for j in 1..2000 {
        let order = f64::from(j);
        weight *= half_l / order;
        term *= half_x / order;
        tail += term;
        sum += weight * tail;
        if order > half_l && weight < 1e-16 {
            break;
        }
    }
    sum.min(1.0)
}

/// Largest error of the mean after rounding to steps of 1, for Gaussian noise of standard
/// deviation `sigma_lsb` steps before it.
///
/// |Σ (−1)ⁿ/(πn) sin(2πnμ) exp(−2π²n²σ²)| at its worst μ (Widrow & Kollár, *Quantization Noise*,
/// 2008). Half a step without noise.
#[must_use]
pub fn quantised_mean_bias(sigma_lsb: f64) -> f64 {
    use std::f64::consts::PI;
    if sigma_lsb <= 0.02 {
        return 0.5;
    }
    let bias = |mu: f64| {
        (1..200)
            .map(f64::from)
            .map(|n| {
                let sign = if n % 2.0 == 0.0 { 1.0 } else { -1.0 };
                sign / (PI * n)
                    * (2.0 * PI * n * mu).sin()
                    * (-2.0 * (PI * n * sigma_lsb).powi(2)).exp()
            })
            .sum::<f64>()
            .abs()
    };
    (0..=200)
        .map(|step| bias(f64::from(step) / 400.0))
        .fold(0.0, f64::max)
}

/// One-sided noise density of rounding, LSB/√(6 fs) (Bennett, Bell System Technical Journal 27,
/// 1948).
#[must_use]
pub fn quantisation_density(lsb_v: f64, sample_rate_hz: f64) -> f64 {
    lsb_v / (6.0 * sample_rate_hz).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn detectable_ratio_by_example() {
        let ratio = detectable_ratio(0.01, 0.95);
        assert!((4.5..4.9).contains(&ratio));
    }

    #[test]
    fn quantised_mean_bias_by_example() {
        assert!((quantised_mean_bias(0.3) - 0.0538658).abs() < 1e-5);
        assert_eq!(quantised_mean_bias(0.0), 0.5);
    }

    #[test]
    fn quantisation_density_by_example() {
        let density = quantisation_density(1e-3, 10e3);
        assert!((density - 4.0825e-6).abs() < 1e-10);
    }

    fn rows(file: &str, kind: &str) -> Vec<Vec<String>> {
        let path = format!("{}/tests/data/reference/{file}", env!("CARGO_MANIFEST_DIR"));
        let mut reader = csv::Reader::from_path(path).unwrap();
        let rows: Vec<Vec<String>> = reader
            .records()
            .map(|record| record.unwrap().iter().map(str::to_owned).collect())
            .filter(|row: &Vec<String>| row[0] == kind)
            .collect();
        assert!(!rows.is_empty());
        rows
    }

    /// Noncentral chi-square distribution, quadrature values: reference L7.
    #[test]
    fn upper_tail_agrees_with_quadrature() {
        for (x, noncentrality, row) in [(4.0, 1.0, 0), (9.0, 4.0, 1), (25.0, 16.0, 2)] {
            let row = &rows("limits_numbers.csv", "ncx2_cdf")[row];
            let expected: f64 = row[2].parse().unwrap();
            assert_relative_eq!(1.0 - upper_tail(x, noncentrality), expected, epsilon = 1e-9);
        }
    }

    /// Worst bias of the mean after rounding: reference Q3.
    #[test]
    fn bias_of_a_rounded_mean_agrees() {
        for row in rows("noise_quantisation.csv", "quantised_mean_worst_bias") {
            let sigma = row[1].split("sigma=").nth(1).unwrap();
            let sigma: f64 = sigma.split(' ').next().unwrap().parse().unwrap();
            let expected: f64 = row[2].parse().unwrap();
            assert_relative_eq!(quantised_mean_bias(sigma), expected, max_relative = 1e-4);
        }
    }
}

//! Intervals of noise powers and their ratios (`limits_numbers.csv`).

use crate::stats::{chi_square_scale_interval, f_quantile};
use approx::assert_relative_eq;

fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter_map(|n| n.trim_end_matches('.').parse().ok())
        .collect()
}

/// ν/χ² for a power (Percival & Walden 1993); an RMS has the square root.
#[test]
fn chi_square_factors() {
    let mut reader = csv::Reader::from_path("tests/data/reference/limits_numbers.csv").unwrap();
    let mut met = 0;
    for row in reader.records().map(Result::unwrap) {
        let (inputs, expected) = (numbers(&row[1]), numbers(&row[2]));
        if &row[0] == "psd_ci95" {
            let e = chi_square_scale_interval(1.0, inputs[0], 0.95);
            assert_relative_eq!(e.low.powi(2), expected[0], max_relative = 2e-6);
            assert_relative_eq!(e.high.powi(2), expected[1], max_relative = 2e-6);
            met += 1;
        } else if &row[0] == "band_power_ratio_ci95" {
            let low = 1.0 / f_quantile(0.975, inputs[1], inputs[2]);
            let high = f_quantile(0.975, inputs[2], inputs[1]);
            assert_relative_eq!(low, expected[0], max_relative = 2e-6);
            assert_relative_eq!(high, expected[1], max_relative = 2e-6);
            met += 1;
        }
    }
    assert_eq!(met, 11);
}

//! Mean and standard deviation against the certified values of the NIST
//! Statistical Reference Datasets, univariate summary statistics.

use crate::stats::{mean, standard_deviation};

/// Digits that agree: -log10 of the relative error.
fn agreeing_digits(found: f64, certified: f64) -> f64 {
    let error = (found - certified).abs() / certified.abs();
    if error == 0.0 { 16.0 } else { -error.log10() }
}

#[test]
fn certified_values_are_met_to_what_double_precision_allows() {
    let mut reader =
        csv::Reader::from_path("tests/data/reference/nist_strd_univariate.csv").unwrap();
    let mut met = 0;
    for row in reader.records().map(Result::unwrap) {
        let path = format!("tests/data/reference/{}", &row[9]);
        let values: Vec<f64> = std::fs::read_to_string(path)
            .unwrap()
            .split_whitespace()
            .map(|v| v.parse().unwrap())
            .collect();
        assert_eq!(values.len().to_string(), &row[1]);
        // the data of the last two are not exact in binary: no algorithm can do better
        let sd_digits = match &row[0] {
            "NumAcc3" => 9.0,
            "NumAcc4" => 8.0,
            _ => 13.0,
        };
        let certified = |i: usize| row[i].parse::<f64>().unwrap();
        for (name, found, expected, digits) in [
            ("mean", mean(&values), certified(5), 13.0),
            (
                "deviation",
                standard_deviation(&values),
                certified(6),
                sd_digits,
            ),
        ] {
            let reached = agreeing_digits(found, expected);
            assert!(reached >= digits, "{} {name}: {reached} digits", &row[0]);
        }
        met += 1;
    }
    assert_eq!(met, 9);
}

#[test]
fn too_few_values_are_no_number() {
    assert!(mean(&[]).is_nan());
    assert!(standard_deviation(&[1.0]).is_nan());
}

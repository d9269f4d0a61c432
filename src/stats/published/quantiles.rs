//! Quantiles against the tables of the NIST/SEMATECH e-Handbook, sections 1.3.6.7.1 to 1.3.6.7.4,
//! recomputed to 12 digits.

use crate::stats::{chi_square_quantile, f_quantile, normal_quantile, student_quantile};
use approx::assert_relative_eq;

#[test]
fn handbook_tables_are_met_to_nine_digits() {
    let mut reader = csv::Reader::from_path("tests/data/reference/critical_values.csv").unwrap();
    let mut rows = 0;
    for row in reader.records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let (upper, expected) = (number(3), number(4));
        // F at upper probabilities below the median: 1 - p would lose digits that the table has
        let found = match &row[0] {
            "normal" => -normal_quantile(upper),
            "t" => -student_quantile(upper, number(1)),
            "chi2" => chi_square_quantile(1.0 - upper, number(1)),
            "F" => f_quantile(1.0 - upper, number(1), number(2)),
            other => unreachable!("a distribution {other}"),
        };
        assert_relative_eq!(found, expected, max_relative = 1e-9);
        rows += 1;
    }
    assert_eq!(rows, 894);
}

#[test]
fn spot_values_of_the_handbook() {
    let epsilon = 5e-4;
    assert_relative_eq!(chi_square_quantile(0.95, 10.0), 18.307, epsilon = epsilon);
    assert_relative_eq!(student_quantile(0.975, 10.0), 2.228, epsilon = epsilon);
    assert_relative_eq!(f_quantile(0.95, 10.0, 10.0), 2.978, epsilon = epsilon);
    assert_relative_eq!(f_quantile(0.95, 2.0, 8.0), 4.459, epsilon = epsilon);
    assert_relative_eq!(f_quantile(0.99, 2.0, 8.0), 8.649, epsilon = epsilon);
}

/// Thomson's harmonic F test has F(2, 2m), whose quantile is closed: m (p^(-1/m) - 1), m = K - 1.
#[test]
fn f_with_two_numerator_degrees_of_freedom_is_closed_form() {
    for m in [1.0, 4.0, 8.0, 100.0, 4000.0] {
        for p in [0.05, 0.01, 1.0 / 4096.0] {
            let expected = m * (f64::powf(p, -1.0 / m) - 1.0);
            assert_relative_eq!(
                f_quantile(1.0 - p, 2.0, 2.0 * m),
                expected,
                max_relative = 1e-8
            );
        }
    }
}

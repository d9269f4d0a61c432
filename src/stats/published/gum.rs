//! Combination of uncertainties: worked examples of JCGM 100:2008 (GUM).

use crate::stats::{
    combined_uncertainty, coverage_factor, mean, rectangular, standard_deviation,
    welch_satterthwaite,
};
use approx::assert_abs_diff_eq;

fn independent(_: usize, _: usize) -> f64 {
    0.0
}

/// H.1, end gauge: 32 nm, 16 degrees of freedom used (16.7), U99 93 nm; one unit of the last printed
/// digit.
#[test]
fn end_gauge_calibration() {
    let u = [25.0, 9.7, 2.9, 16.6];
    let combined = combined_uncertainty(&[1.0; 4], &u, independent);
    assert_abs_diff_eq!(combined, 31.671122, epsilon = 1e-6);
    let dof = welch_satterthwaite(&[(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]);
    assert_abs_diff_eq!(dof, 16.764554, epsilon = 1e-6);
    let expanded = coverage_factor(0.99, dof.floor()) * combined;
    assert_abs_diff_eq!(expanded, 92.504433, epsilon = 1e-5);
    let d = combined_uncertainty(&[1.0; 3], &[5.8, 3.9, 6.7], independent);
    assert_abs_diff_eq!(d, 9.681942, epsilon = 1e-6);
    let dof = welch_satterthwaite(&[(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)]);
    assert_abs_diff_eq!(dof, 25.447251, epsilon = 1e-6);
}

/// H.2, simultaneous resistance and reactance: three inputs whose correlations come from the same five
/// readings.
#[test]
fn resistance_and_reactance_with_correlated_inputs() {
    let v = [5.007, 4.994, 5.005, 4.990, 4.999];
    let i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
    let phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let inputs = [&v, &i, &phi];
    let means = inputs.map(|x| mean(x));
    let u = inputs.map(|x| standard_deviation(x) / 5.0_f64.sqrt());
    let correlation = |a: usize, b: usize| {
        let products: f64 = (0..5)
            .map(|k| (inputs[a][k] - means[a]) * (inputs[b][k] - means[b]))
            .sum();
        products / (5.0 * 4.0 * u[a] * u[b])
    };
    let [v, i, phi] = means;
    let (r, x, z) = (v / i * phi.cos(), v / i * phi.sin(), v / i);
    assert_abs_diff_eq!(r, 127.73217, epsilon = 1e-5);
    assert_abs_diff_eq!(x, 219.84651, epsilon = 1e-5);
    for (sensitivities, expected) in [
        ([r / v, -r / i, -x], 0.071071),
        ([x / v, -x / i, r], 0.295582),
        ([z / v, -z / i, 0.0], 0.236336),
    ] {
        let found = combined_uncertainty(&sensitivities, &u, correlation);
        assert_abs_diff_eq!(found, expected, epsilon = 1e-6);
    }
}

/// 4.3.7: half-width over √3.
#[test]
fn type_b_limits() {
    assert_abs_diff_eq!(rectangular(-3.0), 3.0_f64.sqrt(), epsilon = 1e-15);
}

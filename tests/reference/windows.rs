//! Windows' weights against F. J. Harris 1978 and G. Heinzel et al. 2002, recomputed (`windows.csv`).

use approx::{assert_abs_diff_eq, assert_relative_eq};
use humsieve::spectrum::Window;
use std::f64::consts::TAU;

const LENGTH: usize = 4096;

/// Amplitude of a line `offset` bins away from a bin's centre, relative to one at the centre.
fn response(weights: &[f64], offset: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, w) in weights.iter().enumerate() {
        let (sine, cosine) = (TAU * offset * n as f64 / weights.len() as f64).sin_cos();
        re += w * cosine;
        im += w * sine;
    }
    re.hypot(im) / weights.iter().sum::<f64>()
}

/// Correlation of the weights with themselves `shift` samples on.
fn overlap_correlation(weights: &[f64], shift: usize) -> f64 {
    let product = |later: &[f64]| weights.iter().zip(later).map(|(a, b)| a * b).sum::<f64>();
    product(&weights[shift..]) / product(weights)
}

#[test]
fn every_cosine_sum_meets_its_row() {
    let mut reader = csv::Reader::from_path("tests/data/reference/windows.csv").unwrap();
    let mut met = 0;
    for row in reader.records().map(Result::unwrap) {
        if !row[1].starts_with("cosine-sum") {
            continue;
        }
        let coefficients: Vec<f64> = row[2].split(' ').map(|a| a.parse().unwrap()).collect();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let weights = Window::new(&coefficients).weights(LENGTH);
        let mean = weights.iter().sum::<f64>() / LENGTH as f64;
        let square = weights.iter().map(|w| w * w).sum::<f64>() / LENGTH as f64;
        let bandwidth = square / (mean * mean);
        let decibels = |offset: f64| 20.0 * response(&weights, offset).log10();
        let flatness = (1..=50)
            .map(|i| decibels(0.01 * f64::from(i)).abs())
            .fold(0.0, f64::max);
        assert_relative_eq!(bandwidth, number(3), max_relative = 1e-9);
        assert_relative_eq!(mean, number(4), max_relative = 1e-9);
        assert_abs_diff_eq!(decibels(0.5), number(5), epsilon = 1e-5);
        assert_abs_diff_eq!(flatness, number(6).abs(), epsilon = 1e-4);
        let half = response(&weights, 0.5 * number(7));
        assert_abs_diff_eq!(half, 0.5_f64.sqrt(), epsilon = 1e-4);
        for (shift, column) in [(LENGTH / 2, 8), (LENGTH / 4, 9)] {
            let found = overlap_correlation(&weights, shift);
            assert_abs_diff_eq!(found, number(column), epsilon = 1e-6);
        }
        // the printed columns, where the computation bears them out
        if !row[10].is_empty() && !row[17].contains("harris_row_differs") {
            assert_abs_diff_eq!(bandwidth, number(11), epsilon = 0.006);
        }
        if !row[13].is_empty() {
            assert_abs_diff_eq!(bandwidth, number(13), epsilon = 5.1e-5);
            assert_abs_diff_eq!(flatness, number(14).abs(), epsilon = 1e-4);
        }
        met += 1;
    }
    assert_eq!(met, 34);
}

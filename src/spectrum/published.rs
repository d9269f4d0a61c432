//! Windows' weights against F. J. Harris 1978 and G. Heinzel et al. 2002, recomputed (`windows.csv`), and the two-tone
//! example of G. Heinzel, A. Rüdiger and R. Schilling, MPI report 2002, sec. 13.
#![allow(clippy::unwrap_used, clippy::too_many_lines)]

use crate::spectrum::{Nudft, Window};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use rayon::prelude::*;
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

const RATE_HZ: f64 = 10_000.0;
const STEP: f64 = 1e-3;

/// Two sines, 2 V RMS at 1234 Hz and 1 V peak at 2500.2157 Hz, rounded to 1 mV, and what rounding added.
fn two_tones(count: usize) -> (Vec<f64>, Vec<f64>) {
    (0..count)
        .map(|n| {
            let t = n as f64 / RATE_HZ;
            let exact = 2.828_427_124_746_19 * (TAU * (1234.0 * t).fract()).sin()
                + (TAU * (2500.2157 * t).fract()).sin();
            let rounded = (exact / STEP + 0.5).floor() * STEP;
            (rounded, rounded - exact)
        })
        .unzip()
}

fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Of the window of this name, from the table of windows.
fn coefficients(name: &str) -> Vec<f64> {
    let mut reader = csv::Reader::from_path("tests/data/reference/windows.csv").unwrap();
    let mut rows = reader.records().map(Result::unwrap);
    let row = rows.find(|row| row[0].eq_ignore_ascii_case(name)).unwrap();
    row[2].split(' ').map(|a| a.parse().unwrap()).collect()
}

/// H3: rms of the rounding error, 2.8888e-4 V as tabulated for this record, step/√12 within 0.2 %.
/// H1 and H2: averaged periodograms with our windows and transform. Lines within 2e-6 V of the table (its rounding is
/// 5e-7, the sines' own rounding error in a bin of 10 mHz to 3 Hz below 1e-6).
#[test]
fn windowed_spectra_meet_the_worked_example() {
    let (x, error) = two_tones(1_000_000);
    assert_abs_diff_eq!(rms(&error), 2.888_800_1e-4, epsilon = 1e-9);
    assert_relative_eq!(rms(&error), STEP / 12f64.sqrt(), max_relative = 2e-3);
    let mut reader = csv::Reader::from_path("tests/data/reference/limits_numbers.csv").unwrap();
    let mut met = 0;
    for row in reader.records().map(Result::unwrap) {
        if &row[0] != "heinzel_test" || !row[1].contains("nfft") {
            continue;
        }
        let settings = row[1].rsplit("; ").next().unwrap();
        let mut fields = settings.split(", ");
        let name = fields.next().unwrap();
        let mut number = || -> f64 {
            let field = fields.next().unwrap();
            field
                .trim_start_matches("nfft=")
                .trim_start_matches("overlap ")
                .parse()
                .unwrap()
        };
        let (length, overlap) = (number() as usize, number());
        let coefficients = coefficients(name);
        let window = Window::new(&coefficients);
        let stride = (length as f64 * (1.0 - overlap)).round() as usize;
        let weights = window.weights(length);
        let sum: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        let segments: Vec<usize> = (0..=x.len() - length).step_by(stride).collect();
        // The noise of the flattest, deepest window only: the others leak into it.
        let whole = name == "HFT248D";
        let bins: Vec<usize> = if whole {
            (0..=length / 2).collect()
        } else {
            let near = |hz: f64| (hz / RATE_HZ * length as f64).round() as usize;
            let beside = |hz: f64| near(hz) - 2..=near(hz) + 2;
            beside(1234.0).chain(beside(2500.2157)).collect()
        };
        let powers = segments
            .par_chunks(32)
            .map(|starts| {
                let mut powers = vec![0.0; bins.len()];
                for &start in starts {
                    let cut: Vec<f64> = x[start..start + length]
                        .iter()
                        .zip(&weights)
                        .map(|(x, w)| x * w)
                        .collect();
                    let transform = Nudft::new(&cut);
                    for (power, &bin) in powers.iter_mut().zip(&bins) {
                        *power += transform.at(bin as f64 / length as f64).norm_sqr();
                    }
                }
                powers
            })
            .reduce(
                || vec![0.0; bins.len()],
                |a, b| a.iter().zip(&b).map(|(a, b)| a + b).collect(),
            );
        let count = segments.len() as f64;
        let peak = |hz: f64| {
            let bin_hz = RATE_HZ / length as f64;
            bins.iter()
                .zip(&powers)
                .filter(|(bin, _)| (**bin as f64 * bin_hz - hz).abs() < 2.0 * bin_hz)
                .map(|(_, power)| (2.0 * power / count).sqrt() / sum)
                .fold(0.0, f64::max)
        };
        let printed = |after: &str| -> f64 {
            let rest = row[2].split_once(after).unwrap().1.trim_start();
            rest.split([' ', ';', ',']).next().unwrap().parse().unwrap()
        };
        println!("{settings}: {} {}", peak(1234.0), peak(2500.2157));
        assert_abs_diff_eq!(peak(1234.0), printed("line1 "), epsilon = 2e-6);
        assert_abs_diff_eq!(peak(2500.2157), printed("line2 "), epsilon = 2e-6);
        // asd: the line's rms over √(enbw · rate/length)
        let enbw_hz = RATE_HZ * squares / (sum * sum);
        let density = peak(1234.0) / enbw_hz.sqrt();
        assert_abs_diff_eq!(density, printed("asd at line1 "), epsilon = 2e-6);
        if whole {
            let noise: Vec<f64> = bins
                .iter()
                .zip(&powers)
                .filter(|(bin, _)| {
                    let from = |line: f64| (**bin as f64 - line).abs();
                    [0.0, 1234.0, 2500.2157, 5000.0]
                        .iter()
                        .all(|line| from(*line) > 15.0)
                })
                .map(|(_, power)| 2.0 * power / count / (RATE_HZ * squares))
                .collect();
            let mean = (noise.iter().sum::<f64>() / noise.len() as f64).sqrt();
            println!("density {mean}");
            assert_relative_eq!(mean, 4.086e-6, max_relative = 5e-3);
            assert_relative_eq!(mean, STEP / (6.0 * RATE_HZ).sqrt(), max_relative = 5e-3);
        }
        met += 1;
    }
    assert_eq!(met, 5);
}

//! Rounding to a converter's step: its noise, its density, what it does to a spectrum and to a signal (Bennett,
//! BSTJ 27, 1948; Widrow & Kollar 2008; Sheppard 1898; the two-tone example of G. Heinzel, A. Rüdiger and
//! R. Schilling, MPI report 2002, sec. 13).

use crate::synthesis::{measured, normal};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

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

/// H1 through a measurement of a tenth of the record: neither line is mains. Lines: the bound of an RMS, density/√(2T), is
/// 9e-7 V; 5 of them, and 1e-5 of the amplitude for what the rounding error holds at the lines themselves (a sine of
/// many steps keeps its amplitude to (step/A)^1.5). The noise is the record's own rounding error, less what stands in it as
/// tones: 100,000 samples scatter by 1/√(2N) = 0.22 %, the density's tapers by half as much again; 4 of that.
#[test]
fn a_measurement_finds_both_tones_and_the_rounding_noise() {
    let (x, error) = two_tones(100_000);
    let m = measured(&x, RATE_HZ, 40);
    assert!(!m.mains.detected);
    assert_relative_eq!(m.quality.lsb.unwrap(), STEP, max_relative = 1e-9);
    println!(
        "{:?}",
        m.tones
            .iter()
            .map(|t| (t.frequency_hz.value, t.rms.value))
            .collect::<Vec<_>>()
    );
    for (tone, (hz, rms)) in m
        .tones
        .iter()
        .zip([(1234.0, 2.0), (2500.2157, 0.5f64.sqrt())])
    {
        assert_abs_diff_eq!(tone.frequency_hz.value, hz, epsilon = 1e-6);
        assert_abs_diff_eq!(tone.rms.value, rms, epsilon = 5.0 * 9e-7 + 1e-5 * rms);
    }
    let others: f64 = m.tones.iter().skip(2).map(|t| t.rms.value.powi(2)).sum();
    let whole = m.noise.rms.value.hypot(others.sqrt());
    println!(
        "noise {} others {} own {}",
        m.noise.rms.value,
        others.sqrt(),
        rms(&error)
    );
    assert_relative_eq!(whole, rms(&error), max_relative = 4.0 * 1.5 * 2.2e-3);
    assert_relative_eq!(
        whole,
        STEP / 12f64.sqrt(),
        max_relative = 4.0 * 1.5 * 2.2e-3
    );
}

/// Q1 and Q2: a full-scale sine of an ideal converter, through a measurement: what is left beside the sine is step/√12,
/// its density step/√(6 rate), its ratio 6.02 N + 1.76 dB. 96,000 samples: an RMS within 4·1.5·√(2/N)/2 of itself. A
/// sine's rounding error has the mean square q²/12 + (q²/π²) Σ ±J0(2πnA/q)/n² (Widrow & Kollar); with |J0(x)| ≤ √(2/(πx)) its root
/// is within 0.26 √(q/A) of q/√12.
#[test]
fn a_full_scale_sine_has_the_ideal_ratio() {
    let mut reader = csv::Reader::from_path("tests/data/reference/noise_quantisation.csv").unwrap();
    let table: Vec<(String, String, f64)> = reader
        .records()
        .map(Result::unwrap)
        .map(|row| {
            (
                row[0].to_owned(),
                row[1].to_owned(),
                row[2].parse().unwrap_or(f64::NAN),
            )
        })
        .collect();
    let number = |quantity: &str, inputs: &str| {
        table
            .iter()
            .find(|row| row.0 == quantity && row.1.starts_with(inputs))
            .unwrap()
            .2
    };
    let rate_hz = 48_000.0;
    for bits in [10, 12, 14, 16, 24] {
        let step = 2.0 / 2f64.powi(bits);
        let x: Vec<f64> = (0..96_000)
            .map(|n| {
                let turn = TAU * (50.0137 * f64::from(n) / rate_hz).fract();
                (turn.sin() / step).round() * step
            })
            .collect();
        let m = measured(&x, rate_hz, 40);
        let tones: f64 = m.tones.iter().map(|t| t.rms.value.powi(2)).sum();
        let harmonics: f64 = m.mains.harmonics[1..]
            .iter()
            .map(|h| h.rms.value.powi(2))
            .sum();
        let left = (m.noise.rms.value.powi(2) + tones + harmonics).sqrt();
        let ratio_db = 20.0 * (m.mains.harmonics[0].rms.value / left).log10();
        println!(
            "{bits} bits: {ratio_db} dB, {left} V, tones {}",
            m.tones.len()
        );
        let relative = 4.0 * 1.5 * (2.0f64 / 96_000.0).sqrt() / 2.0 + 0.26 * step.sqrt();
        let expected = number("quantisation_rms", &format!("N={bits} bits over a"));
        assert_relative_eq!(left * 1e6, expected, max_relative = relative);
        let expected = number(
            "quantisation_density",
            &format!("N={bits} bits over +-1 V, fs=48000"),
        );
        assert_relative_eq!(
            left / (0.5 * rate_hz).sqrt() * 1e9,
            expected,
            max_relative = relative
        );
        let expected = number("ideal_sine_SQNR", &format!("N={bits} bits"));
        assert_abs_diff_eq!(
            ratio_db,
            expected,
            epsilon = 20.0 * (1.0 + relative).log10()
        );
    }
}

/// Q4: Gaussian noise of one step, rounded: √(1 + 1/12) steps. 200,000 samples scatter by 0.16 %, the density's
/// tapers by half as much again: 4 of that is a quarter of what rounding adds.
#[test]
fn rounded_noise_follows_sheppard() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let x: Vec<f64> = (0..200_000)
        .map(|_| (0.3 + normal(&mut rng)).round() * STEP)
        .collect();
    let m = measured(&x, RATE_HZ, 40);
    println!("{}", m.noise.rms.value / STEP);
    assert_relative_eq!(
        m.noise.rms.value / STEP,
        1.040_833,
        max_relative = 4.0 * 1.5 * 1.6e-3
    );
}

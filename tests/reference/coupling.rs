//! What AC coupling takes from the hum, and its correction with the corner told (`coupling.csv`: first-order
//! high-pass, gain 1/√(1 + (fc/f)²), lead atan(fc/f)).

use crate::synthesis::normal;
use humsieve::analysis::measure;
use humsieve::capture::{Acquisition, Coupling, MemorySource};
use humsieve::{Capture, MeasureOptions, WarningCode};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{SQRT_2, TAU};

const NOISE: f64 = 1e-6;
const SAMPLES: usize = 5000;
const RATE_HZ: f64 = 10_000.0;

struct Row {
    corner_hz: f64,
    frequency_hz: f64,
    gain: f64,
    gain_db: f64,
    lead_deg: f64,
}

fn rows() -> Vec<Row> {
    let mut reader = csv::Reader::from_path("tests/data/reference/coupling.csv").unwrap();
    reader
        .records()
        .map(Result::unwrap)
        .map(|row| {
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            Row {
                corner_hz: number(0),
                frequency_hz: number(1),
                gain: number(2),
                gain_db: number(3),
                lead_deg: number(4),
            }
        })
        .collect()
}

/// Rows A1 and A2 at 50 and 60 Hz with their second and third orders: hum put through the table's gain and
/// lead, measured with and without the corner. Tolerance: an RMS scatters by σ/√N, a phase by that over
/// the RMS; 5 of them allowed for 48 figures each; the table's gain is printed to 10 digits, its lead to 1e-7 degrees.
#[test]
fn the_loss_is_seen_and_corrected() {
    let table = rows();
    let deviation = NOISE / (SAMPLES as f64).sqrt();
    let amplitudes = [0.02, 0.005, 0.008];
    let phases = [0.4, -1.0, 2.0];
    let mut met = 0;
    for corner_hz in [1.0, 5.0, 7.0, 10.0] {
        for nominal_hz in [50.0, 60.0] {
            let own: Vec<&Row> = (1..=3)
                .map(|k| {
                    table
                        .iter()
                        .find(|row| {
                            row.corner_hz == corner_hz
                                && row.frequency_hz == f64::from(k) * nominal_hz
                        })
                        .unwrap()
                })
                .collect();
            let mut rng = ChaCha8Rng::seed_from_u64(corner_hz as u64);
            let x: Vec<f64> = (0..SAMPLES)
                .map(|n| {
                    let hum: f64 = own
                        .iter()
                        .zip(amplitudes.iter().zip(&phases))
                        .map(|(row, (a, phase))| {
                            let turn = TAU * row.frequency_hz * n as f64 / RATE_HZ;
                            a * row.gain * (turn + phase + row.lead_deg.to_radians()).cos()
                        })
                        .sum();
                    hum + NOISE * normal(&mut rng)
                })
                .collect();
            let acquisition = Acquisition::default().coupling(Coupling::Ac);
            let capture = Capture::from_samples("bench", RATE_HZ, &x)
                .and_then(|capture| capture.taken_with(acquisition))
                .unwrap();
            let measured = |ac_corner_hz: Option<f64>| {
                let options = {
                    let mut options = MeasureOptions::default();
                    options.ac_corner_hz = ac_corner_hz;
                    options
                };
                measure(&mut MemorySource::new(&capture), &options)
                    .unwrap()
                    .remove(0)
            };
            let (plain, corrected) = (measured(None), measured(Some(corner_hz)));
            for m in [&plain, &corrected] {
                assert!(
                    m.quality
                        .warnings
                        .iter()
                        .any(|w| w.code == WarningCode::AcCoupled)
                );
            }
            for (k, row) in own.iter().enumerate() {
                let truth = amplitudes[k] / SQRT_2;
                let (before, after) = (&plain.mains.harmonics[k], &corrected.mains.harmonics[k]);
                let loss_db = 20.0 * (before.rms.value / truth).log10();
                let allowed_db = 5.0 * deviation / truth * 20.0 / std::f64::consts::LN_10 + 1e-8;
                assert!(
                    (loss_db - row.gain_db).abs() < allowed_db,
                    "{corner_hz} Hz, {} Hz: {loss_db} dB for {}",
                    row.frequency_hz,
                    row.gain_db
                );
                assert!(
                    (after.rms.value - truth).abs() < 5.0 * deviation / row.gain + 1e-9 * truth
                );
                let (led, back) = (before.phase_deg.unwrap(), after.phase_deg.unwrap());
                let allowed_deg = 5.0 * led.standard_uncertainty + 1e-7;
                let off = |found: f64, expected: f64| {
                    (found - expected + 180.0).rem_euclid(360.0) - 180.0
                };
                let own_deg = phases[k].to_degrees();
                assert!(off(led.value, own_deg + row.lead_deg).abs() < allowed_deg);
                assert!(off(back.value, own_deg).abs() < allowed_deg);
                met += 1;
            }
        }
    }
    assert_eq!(met, table.len());
}

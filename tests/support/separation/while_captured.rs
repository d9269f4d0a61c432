//! Records separated while they are captured.
#![allow(dead_code)]

use crate::cases::Case;
use humsieve::separation::{HarmonicOptions, Online, OnlineOptions, harmonic};

/// The hum that goes while the record comes in, in blocks of 10 ms.
fn online(case: &Case) -> Vec<f64> {
    let record = case.record();
    let mut online = Online::new(case.rate_hz, OnlineOptions::default()).unwrap();
    let mut cleaned = Vec::new();
    for block in record.chunks((0.01 * case.rate_hz) as usize) {
        online.push(block, &mut cleaned);
    }
    online.finish(&mut cleaned);
    record.iter().zip(&cleaned).map(|(x, c)| x - c).collect()
}

/// What is left after so many seconds over what the whole record's fit leaves there, dB.
pub fn online_loss_db(case: &Case, from_s: f64) -> f64 {
    let whole = harmonic(&case.record(), case.rate_hz, &HarmonicOptions::default()).unwrap();
    let left = |hum: &[f64]| -> f64 {
        let both = hum
            .iter()
            .zip(&case.hum)
            .skip((from_s * case.rate_hz) as usize);
        both.map(|(h, truth)| (h - truth).powi(2)).sum()
    };
    10.0 * (left(&online(case)) / left(&whole.interference)).log10()
}

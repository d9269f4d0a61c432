//! An invented session result for tests: no analysis runs, the measurements are made up.

use super::run::run_with;
use super::{CaptureEntry, Session, SessionResult};
use crate::analysis::{
    Evidence, EvidenceKind, Folded, Harmonic, Measurement, Spectrum, Track, TrackPoint,
};
use crate::capture::Condition;
use crate::comparison::{
    CaptureCounts, CompareOptions, ComparedQuantity, Comparison, DecibelRatio, Verdict,
};
use crate::quantity::{Figure, Quantity};
use crate::stats::Estimate;
use crate::{Error, ErrorKind, MeasureOptions, WarningCode};
use std::collections::BTreeMap;
use std::path::Path;

pub const TEXT: &str = r#"
title = "Load-cell amplifier <bench> & ground loop"
date = 2026-03-14
operator = "A. Example"
object = "Load-cell amplifier on the workshop bench"
band_hz = [10, "5k"]

[setup.instrument]
earth_reading_ohm = 0.4
through = "computer link and the computer's mains lead"
[setup.source]
earth_reading_ohm = 0.2
through = "chassis and mains lead of the amplifier"

[instrument]
description = "12-bit instrument, 1:1 probe"
full_scale_v = "51.2m"
bits = 12
gain_accuracy_percent = 1
offset_accuracy_v = "250u"

[[remedy]]
name = "isolator in the computer link"
breaks = "instrument"
rating_v = 1000
category = "CAT II"
[[remedy]]
name = "differential input"
breaks = "lead"
[[remedy]]
name = "ferrite <b>on</b> the lead"
breaks = "nothing"

[[capture]]
file = "baseline_1.csv"
condition = "baseline"
[[capture]]
file = "looped_1.csv"
condition = "looped"
[[capture]]
file = "looped_clipped.csv"
condition = "looped"
[[capture]]
file = "missing.csv"
condition = "looped"
[[capture]]
file = "isolator_1.csv"
condition = "isolated"
remedy = "isolator in the computer link"
[[capture]]
file = "differential_1.csv"
condition = "isolated"
remedy = "differential input"
[[capture]]
file = "ferrite_1.csv"
condition = "isolated"
remedy = "ferrite <b>on</b> the lead"

[wanted]
description = "bridge output under load"
frequency_hz = [12.5]
rms_v = "1 mV"

[limits]
hum_rms = "50u"
dc_offset = "1m"
"#;

fn estimate(value: f64, relative: f64) -> Estimate {
    Estimate::normal(value, value.abs() * relative, 0.95)
}

fn unresolved(high: f64) -> Estimate {
    Estimate::new(0.0, (0.0, high), high / 2.0, 60.0, 0.95)
}

/// Share of the loop's interference that is left, and offset, by the file's name.
fn scene(file: &str) -> (f64, f64) {
    match file.split('_').next() {
        Some("baseline") => (0.0, 0.21e-3),
        Some("isolator") => (0.004, 0.26e-3),
        Some("differential") => (0.0003, 0.22e-3),
        Some("ferrite") => (0.97, 11.5e-3),
        _ => (1.0, 11.6e-3),
    }
}

fn loop_rms(order: usize) -> f64 {
    let k = order as f64;
    if order % 2 == 1 {
        2.9e-3 * k.powf(-1.3)
    } else {
        0.1e-3 / k
    }
}

pub fn measurement(file: &str) -> Measurement {
    const FLOOR: f64 = 1.5e-6;
    let (share, offset) = scene(file);
    let mut measurement = crate::sample::measurement();
    measurement.file = file.into();
    measurement.dc_offset = Estimate::normal(offset, 2e-6, 0.95);
    measurement.mains.harmonics = (1..=40)
        .map(|order| {
            let rms = loop_rms(order) * share;
            let seen = rms > FLOOR;
            Harmonic {
                order,
                rms: if seen {
                    Estimate::normal(rms, FLOOR / 3.0, 0.95)
                } else {
                    unresolved(2.0 * FLOOR)
                },
                phase_deg: None,
                detected: seen,
                power: Default::default(),
            }
        })
        .collect();
    let hum = (1..=40)
        .map(|k| (loop_rms(k) * share).powi(2))
        .sum::<f64>()
        .sqrt();
    measurement.mains.hum_rms = Some(if hum > FLOOR {
        Estimate::normal(hum, FLOOR, 0.95)
    } else {
        unresolved(2.0 * FLOOR)
    });
    measurement.noise.rms = estimate(39.6e-6, 0.008);
    measurement.evidence = if share > 0.5 {
        vec![
            Evidence::new(
                EvidenceKind::Conducted,
                "The harmonics fall by 8 dB an octave, as of a current carried by wire.",
                [("slope_db_per_octave", -7.8)],
                "Open the loop at the instrument's side with an isolator rated for it and repeat the looped capture.",
            ),
            Evidence::new(
                EvidenceKind::GroundOffset,
                "An offset of 11.6 mV stands beside the hum.",
                [("offset_v", 11.6e-3)],
                "Compare it with the reading with the probe shorted.",
            ),
        ]
    } else {
        Vec::new()
    };
    measurement.quality.warnings.clear();
    if file.contains("clipped") {
        measurement.quality.clipped_samples = 412;
        measurement.duration_s = 2.0;
        measurement.quality.warnings.push(
            WarningCode::Clipped.warning(
                "412 samples lie at the limit of the range; take it again on a wider range",
            ),
        );
    }
    measurement.spectrum = Some(spectrum(share));
    measurement.folded = (share > 0.0).then(|| folded(share));
    measurement.track = Some(Track::new(
        (0..60)
            .map(|i| {
                let time_s = 0.5 + f64::from(i);
                TrackPoint {
                    time_s,
                    frequency_hz: 50.02 + 0.01 * (time_s / 9.0).sin(),
                    hum_rms: hum * (1.0 + 0.03 * (time_s / 7.0).cos()),
                    dc_offset: offset,
                }
            })
            .collect(),
    ));
    measurement
}

fn spectrum(share: f64) -> Spectrum {
    const STEP_HZ: f64 = 1.25;
    let frequency_hz: Vec<f64> = (1..4000).map(|i| f64::from(i) * STEP_HZ).collect();
    let mut state = 1_u64;
    let noise: Vec<f64> = frequency_hz
        .iter()
        .map(|hz| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let u = (state >> 11) as f64 / (1_u64 << 53) as f64;
            (4.5e-7 + 2e-6 / hz) * (0.6 + 0.8 * u)
        })
        .collect();
    let total = frequency_hz
        .iter()
        .zip(&noise)
        .map(|(hz, noise)| {
            let order = (hz / 50.0).round();
            let line = if (1.0..=40.0).contains(&order) && (hz - 50.0 * order).abs() < 0.7 {
                loop_rms(order as usize) * share / STEP_HZ.sqrt()
            } else {
                0.0
            };
            noise.hypot(line)
        })
        .collect();
    Spectrum::new(frequency_hz, total, noise, 8.0)
}

fn folded(share: f64) -> Folded {
    let phase: Vec<f64> = (0..128).map(|i| (f64::from(i) + 0.5) / 128.0).collect();
    let mean = phase
        .iter()
        .map(|at| {
            (1..=40)
                .map(|k| {
                    let angle = std::f64::consts::TAU * at * k as f64 + 0.7 * k as f64;
                    2f64.sqrt() * loop_rms(k) * share * angle.cos()
                })
                .sum()
        })
        .collect();
    let deviation = vec![4e-5 + 6e-5 * share; phase.len()];
    Folded::new(phase, mean, deviation)
}

fn reading(measurement: &Measurement, quantity: Quantity) -> Option<Estimate> {
    match quantity.of(measurement) {
        Figure::Estimate(estimate) => Some(estimate),
        _ => None,
    }
}

fn compare(
    captures: &BTreeMap<Condition, Vec<Measurement>>,
    options: &CompareOptions,
) -> Result<Comparison, Error> {
    let first = |condition| captures.get(&condition).and_then(|list| list.first());
    let count = |condition| captures.get(&condition).map_or(0, Vec::len);
    let mut names = vec![Quantity::DcOffset, Quantity::HumRms];
    names.extend((1..=40).map(Quantity::Harmonic));
    names.push(Quantity::NoiseRms);
    let quantities = names
        .into_iter()
        .map(|name| {
            let at = |condition| first(condition).and_then(|m| reading(m, name));
            let (baseline, looped, isolated) = (
                at(Condition::Baseline),
                at(Condition::Looped),
                at(Condition::Isolated),
            );
            let divisor = isolated.or(baseline);
            let ratio = looped.zip(divisor).and_then(|(top, bottom)| {
                let db = |a: f64, b: f64| 20.0 * (a.abs() / b.abs()).log10();
                if top.low <= 0.0 {
                    return None;
                }
                let low = db(top.low, bottom.high);
                Some(if bottom.low > 0.0 {
                    DecibelRatio {
                        value: db(top.value, bottom.value),
                        low,
                        high: Some(db(top.high, bottom.low)),
                    }
                } else {
                    DecibelRatio {
                        value: low,
                        low,
                        high: None,
                    }
                })
            });
            let verdict = match ratio {
                Some(ratio) if ratio.low > 0.0 && ratio.high.is_none() => Verdict::AtFloor,
                Some(ratio) if ratio.low > 0.0 => Verdict::Improved,
                Some(ratio) if ratio.high.is_some_and(|high| high < 0.0) => Verdict::Worse,
                _ => Verdict::Unresolved,
            };
            let mut quantity = ComparedQuantity::new(name, "V");
            quantity.baseline = baseline;
            quantity.looped = looped;
            quantity.isolated = isolated;
            quantity.loop_excess = looped;
            quantity.residual_excess = isolated;
            quantity.improvement_db = ratio;
            quantity.excess_reduction_db = ratio;
            quantity.verdict = verdict;
            quantity
        })
        .collect();
    let counts = CaptureCounts {
        baseline: count(Condition::Baseline),
        looped: count(Condition::Looped),
        isolated: count(Condition::Isolated),
    };
    let mut comparison = Comparison::new(options.confidence, 50.0, (10.0, 5e3), counts, quantities);
    comparison.warnings = vec![
        WarningCode::RangeMismatch
            .warning("baseline on ±51.2 mV, looped on ±1 V: the noise figure is spoiled"),
    ];
    Ok(comparison)
}

pub fn result_of(text: &str) -> SessionResult {
    let session = Session::parse(text, "session.toml").unwrap_or_else(|error| panic!("{error}"));
    let measure = |path: &Path, entry: &CaptureEntry, _: &MeasureOptions| {
        if entry.file.contains("missing") {
            return Err(ErrorKind::NotFound
                .error("no such file; check its name")
                .in_file(path));
        }
        Ok(vec![measurement(&entry.file)])
    };
    run_with(&session, Path::new("bench"), &measure, &compare, &|_, _| {})
}

pub fn result() -> SessionResult {
    result_of(TEXT)
}

//! An invented session result for tests: no analysis runs, the measurements are made up.

use super::run::run_with;
use super::{CaptureEntry, Session, SessionResult};
use crate::analysis::{
    Evidence, EvidenceKind, Folded, Harmonic, Measurement, Spectrum, Track, TrackPoint,
};
use crate::capture::Snippet;
use crate::stats::{Estimate, LinePower, chi_square_scale_interval};
use crate::{ErrorKind, MeasureOptions, WarningCode};
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
    let noise = (FLOOR / 3.0).powi(2);
    measurement.mains.harmonics = (1..=40)
        .map(|order| {
            let line = (loop_rms(order) * share).powi(2);
            let power = LinePower::new(line + noise, noise, 2.0, 60.0);
            let rms = power.rms(0.95);
            Harmonic {
                order,
                rms,
                phase_deg: None,
                detected: rms.low > 0.0,
                power,
            }
        })
        .collect();
    let powers = measurement.mains.harmonics.iter().map(|line| &line.power);
    measurement.mains.power = LinePower::sum(powers);
    let hum = measurement.mains.power.rms(0.95);
    measurement.mains.hum_rms = Some(hum);
    measurement.noise.rms = chi_square_scale_interval(39.6e-6, 8000.0, 0.95);
    measurement.acquisition.full_scale_v = Some(if share > 0.0 { 1.0 } else { 0.0512 });
    measurement.evidence = if share > 0.5 {
        vec![
            Evidence::new(
                EvidenceKind::PhaseCut,
                "possibly phase-cut loads: 18 odd orders are in step to 95 %",
                [("orders_in_step", 18.0)],
                "Switch dimmers nearby off one by one and capture again.",
            )
            .or(["motor drives"]),
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
                    hum_rms: hum.value * (1.0 + 0.03 * (time_s / 7.0).cos()),
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
    let ragged = |hz: f64| 0.6 + 0.8 * (1e3 * hz).sin().abs();
    let noise: Vec<f64> = frequency_hz
        .iter()
        .map(|hz| (4.5e-7 + 2e-6 / hz) * ragged(*hz))
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
    let mut result = run_with(&session, Some(Path::new("bench")), &measure, &|_, _| {});
    for capture in result.captures.iter_mut().filter(|c| c.outcome.is_ok()) {
        let (share, offset) = scene(&capture.entry.file);
        capture.snippet = Some(snippet(share, offset));
    }
    result
}

fn snippet(share: f64, offset: f64) -> Snippet {
    const RATE_HZ: f64 = 5e3;
    let cycle = folded(share).mean;
    let samples = (0..500)
        .map(|n| {
            let at = (f64::from(n) / RATE_HZ * 50.0).fract();
            let hum = cycle[(at * cycle.len() as f64) as usize];
            offset + hum + 4e-5 * (1e3 * f64::from(n)).sin()
        })
        .collect();
    Snippet {
        sample_rate_hz: RATE_HZ,
        samples,
    }
}

pub fn result() -> SessionResult {
    result_of(TEXT)
}

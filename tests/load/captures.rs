//! Every file of `tests/data/captures/` is read as `expected.json` says.
//!
//! The expected figures were computed by `generate.py` beside the files, from the numbers as they are
//! written, without the library.

use humsieve::Capture;
use humsieve::capture::Coupling;
use humsieve::load::{LoadOptions, load};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/captures")
}

fn options(json: &Value) -> LoadOptions {
    LoadOptions {
        sample_rate_hz: json["sample_rate_hz"].as_f64(),
        unit: json["unit"].as_str().map(String::from),
        scale: json["scale"].as_f64().unwrap_or(1.0),
        full_scale_v: json["full_scale_v"].as_f64(),
        ..LoadOptions::default()
    }
}

/// Sums of some hundred values near 0.1 with six decimals: rounding stays below 1e-12 of the
/// largest; 1e-9 leaves room for the conversion of units.
const RELATIVE: f64 = 1e-9;

fn differs(found: f64, expected: f64, relative: f64) -> bool {
    let scale = expected.abs().max(1e-12);
    let difference = (found - expected).abs();
    difference.is_nan() || difference > relative * scale
}

fn check(capture: &Capture, expected: &Value, faults: &mut Vec<String>) {
    let header = capture.header();
    let rate = expected["rate"].as_f64().unwrap();
    let tolerance = expected["rate_tolerance"].as_f64().unwrap_or(RELATIVE);
    if differs(capture.sample_rate_hz(), rate, tolerance) {
        faults.push(format!("rate {} for {rate}", capture.sample_rate_hz()));
    }
    if capture.frames() as u64 != expected["samples"].as_u64().unwrap() {
        faults.push(format!(
            "{} frames for {}",
            capture.frames(),
            expected["samples"]
        ));
    }
    if let Some(start) = expected["start_s"].as_f64()
        && (header.time_base.start_s - start).abs() > 1e-12
    {
        faults.push(format!("start {} for {start}", header.time_base.start_s));
    }
    let acquisition = &header.acquisition;
    if let Some(full_scale) = expected["full_scale_v"].as_f64()
        && acquisition.full_scale_v != Some(full_scale)
    {
        faults.push(format!(
            "full scale {:?} for {full_scale}",
            acquisition.full_scale_v
        ));
    }
    if let Some(probe) = expected["probe_factor"].as_f64()
        && acquisition.probe_factor != Some(probe)
    {
        faults.push(format!("probe {:?} for {probe}", acquisition.probe_factor));
    }
    if let Some(coupling) = expected["coupling"].as_str() {
        let wanted = if coupling == "ac" {
            Coupling::Ac
        } else {
            Coupling::Dc
        };
        if acquisition.coupling != Some(wanted) {
            faults.push(format!("coupling {:?}", acquisition.coupling));
        }
    }
    if let Some(logic) = expected["logic"].as_array() {
        let logic: Vec<&str> = logic.iter().map(|name| name.as_str().unwrap()).collect();
        if header.logic_channels != logic {
            faults.push(format!("logic channels {:?}", header.logic_channels));
        }
    }
    let wanted = expected["channels"].as_array().unwrap();
    if header.channels.len() != wanted.len() {
        faults.push(format!("channels {:?}", header.channels));
        return;
    }
    for (index, wanted) in wanted.iter().enumerate() {
        let found = &header.channels[index];
        if found.name != wanted["name"].as_str().unwrap()
            || found.unit != wanted["unit"].as_str().unwrap()
        {
            faults.push(format!(
                "channel '{}' in {} for {}",
                found.name, found.unit, wanted
            ));
        }
        let samples = capture.channel(index).unwrap();
        let finite: Vec<f64> = samples.iter().copied().filter(|v| v.is_finite()).collect();
        let mean = finite.iter().sum::<f64>() / finite.len() as f64;
        let ac_rms =
            (finite.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / finite.len() as f64).sqrt();
        let expected_rms = wanted["ac_rms"].as_f64().unwrap();
        let expected_mean = wanted["mean"].as_f64().unwrap();
        if (mean - expected_mean).abs() > RELATIVE * (expected_mean.abs() + expected_rms)
            || mean.is_nan()
        {
            faults.push(format!("mean {mean} for {expected_mean}"));
        }
        if differs(ac_rms, expected_rms, RELATIVE) {
            faults.push(format!("AC RMS {ac_rms} for {expected_rms}"));
        }
        let missing = samples.iter().filter(|v| v.is_nan()).count() as u64;
        let overload = samples.iter().filter(|v| v.is_infinite()).count() as u64;
        if missing != wanted["missing"].as_u64().unwrap()
            || overload != wanted["overload"].as_u64().unwrap()
        {
            faults.push(format!(
                "{missing} missing, {overload} overloaded for {wanted}"
            ));
        }
    }
}

#[test]
fn every_capture_is_read_as_it_was_written() {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_str(&text).unwrap();
    assert!(expected.len() >= 60, "{} captures", expected.len());
    let mut faults = Vec::new();
    for entry in &expected {
        let file = entry["file"].as_str().unwrap();
        for general_only in [false, true] {
            let options = LoadOptions {
                general_only,
                ..options(&entry["options"])
            };
            let mut own = Vec::new();
            match load(&folder().join(file), &options) {
                Err(error) => own.push(format!("{}: {error}", error.kind())),
                Ok(captures) => {
                    let wanted = entry["captures"].as_array().unwrap();
                    if captures.len() != wanted.len() {
                        own.push(format!("{} captures for {}", captures.len(), wanted.len()));
                    }
                    for (capture, wanted) in captures.iter().zip(wanted) {
                        check(capture, wanted, &mut own);
                    }
                    let codes: BTreeSet<&str> = captures
                        .iter()
                        .flat_map(Capture::warnings)
                        .map(|warning| warning.code.as_str())
                        .collect();
                    let wanted: BTreeSet<&str> = entry["warnings"]
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|code| code.as_str().unwrap())
                        .collect();
                    if codes != wanted {
                        let told: Vec<&humsieve::Warning> =
                            captures.iter().flat_map(Capture::warnings).collect();
                        own.push(format!("warnings {told:?} for {wanted:?}"));
                    }
                }
            }
            faults.extend(own.iter().map(|fault| format!("{file}: {fault}")));
            if !own.is_empty() {
                break;
            }
        }
    }
    assert!(
        faults.is_empty(),
        "{} faults:\n{}",
        faults.len(),
        faults.join("\n")
    );
}

#[test]
fn every_file_of_the_folder_is_expected() {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_str(&text).unwrap();
    let named: BTreeSet<String> = expected
        .iter()
        .map(|entry| entry["file"].as_str().unwrap().to_string())
        .collect();
    let found: BTreeSet<String> = humsieve::load::find_captures(&folder())
        .unwrap()
        .iter()
        .map(|path| path.file_name().unwrap().to_str().unwrap().to_string())
        .collect();
    assert_eq!(named, found);
}

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

/// The rows of samples, and what each file holds.
fn expected() -> (Value, Vec<Value>) {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let mut whole: Value = serde_json::from_str(&text).unwrap();
    let files = serde_json::from_value(whole["files"].take()).unwrap();
    (whole["series"].take(), files)
}

fn options(json: &Value) -> LoadOptions {
    {
        let mut options = LoadOptions::default();
        options.sample_rate_hz = json["sample_rate_hz"].as_f64();
        options.unit = json["unit"].as_str().map(String::from);
        options.scale = json["scale"].as_f64().unwrap_or(1.0);
        options.full_scale_v = json["full_scale_v"].as_f64();
        options
    }
}

/// A rate follows from a time column whose steps are rounded.
const RATE: f64 = 1e-9;

/// A sample is the written number times a unit, or a count times a step on an offset: each operation rounds by half a
/// unit in the last place of the largest number in it.
const ROUNDING: f64 = 8.0 * f64::EPSILON;

fn differs(found: f64, expected: f64, relative: f64) -> bool {
    let scale = expected.abs().max(1e-12);
    let difference = (found - expected).abs();
    difference.is_nan() || difference > relative * scale
}

/// What a channel holds; a sample that is missing is no number.
fn samples_of(channel: &Value, series: &Value) -> Vec<f64> {
    let row = &series[channel["series"].as_u64().unwrap() as usize];
    row.as_array()
        .unwrap()
        .iter()
        .map(|v| match v.as_str() {
            Some("inf") => f64::INFINITY,
            Some(_) => f64::NEG_INFINITY,
            None => v.as_f64().unwrap_or(f64::NAN),
        })
        .collect()
}

/// The first sample that is not the written one.
fn first_wrong(found: &[f64], wanted: &[f64]) -> Option<usize> {
    let largest = wanted
        .iter()
        .filter(|v| v.is_finite())
        .fold(0.0, |m: f64, v| m.max(v.abs()));
    (0..found.len().max(wanted.len())).find(|&i| match (found.get(i), wanted.get(i)) {
        (Some(a), Some(b)) if a.is_finite() && b.is_finite() => (a - b).abs() > ROUNDING * largest,
        (Some(a), Some(b)) => !(a == b || a.is_nan() && b.is_nan()),
        _ => true,
    })
}

fn check(capture: &Capture, expected: &Value, series: &Value, faults: &mut Vec<String>) {
    let header = capture.header();
    let rate = expected["rate"].as_f64().unwrap();
    let tolerance = expected["rate_tolerance"].as_f64().unwrap_or(RATE);
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
        let samples = capture.channel(index).unwrap().to_vec();
        let written = samples_of(wanted, series);
        if let Some(i) = first_wrong(&samples, &written) {
            let (a, b) = (samples.get(i), written.get(i));
            faults.push(format!("sample {i} of {}: {a:?} for {b:?}", found.name));
        }
    }
}

#[test]
fn a_sample_that_is_off_is_seen() {
    let written = [0.1, 0.2, f64::NAN, f64::INFINITY];
    assert_eq!(first_wrong(&written, &written), None);
    for (i, other) in [0.1 + 1e-15, 0.2 - 1e-15, 0.0, f64::NEG_INFINITY]
        .into_iter()
        .enumerate()
    {
        let mut read = written;
        read[i] = other;
        assert_eq!(first_wrong(&read, &written), Some(i));
    }
    assert_eq!(first_wrong(&written[..3], &written), Some(3));
}

#[test]
fn every_capture_is_read_as_it_was_written() {
    let (series, expected) = expected();
    assert!(expected.len() >= 60, "{} captures", expected.len());
    let mut faults = Vec::new();
    for entry in &expected {
        let file = entry["file"].as_str().unwrap();
        for general_only in [false, true] {
            let options = {
                let mut options = options(&entry["options"]);
                options.general_only = general_only;
                options
            };
            let mut own = Vec::new();
            match load(folder().join(file), &options) {
                Err(error) => own.push(format!("{}: {error}", error.kind())),
                Ok(captures) => {
                    let wanted = entry["captures"].as_array().unwrap();
                    if captures.len() != wanted.len() {
                        own.push(format!("{} captures for {}", captures.len(), wanted.len()));
                    }
                    for (capture, wanted) in captures.iter().zip(wanted) {
                        check(capture, wanted, &series, &mut own);
                    }
                    let codes: BTreeSet<String> = captures
                        .iter()
                        .flat_map(Capture::warnings)
                        .map(|warning| warning.code.to_string())
                        .collect();
                    let wanted: BTreeSet<String> = entry["warnings"]
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|code| code.as_str().unwrap().to_owned())
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
    let (_, expected) = expected();
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

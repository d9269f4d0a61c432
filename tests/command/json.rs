//! The fields of the JSON output, by name and kind. They are fixed: more may come, none may go.

use crate::program;
use serde_json::{Value, json};

fn humsieve(arguments: &[&str]) -> Vec<Value> {
    let output = program::humsieve(arguments)
        .args(["--format", "jsonl"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// Compares with a pattern: a string names a kind (`number`, `integer`, `text`, `flag`, `estimate`,
/// a leading `?` lets it be null), an array of one holds for every item, an object for its fields.
fn assert_shape(found: &Value, pattern: &Value, place: &str) {
    match pattern {
        Value::String(kind) => {
            let (kind, optional) = match kind.strip_prefix('?') {
                Some(kind) => (kind, true),
                None => (kind.as_str(), false),
            };
            let sound = match kind {
                "number" => found.is_number(),
                "integer" => found.is_u64(),
                "text" => found.is_string(),
                "flag" => found.is_boolean(),
                "estimate" => {
                    optional && found.is_null() || {
                        let [value, low, high] =
                            ["value", "low", "high"].map(|name| found[name].as_f64());
                        let (value, low, high) = (value.unwrap(), low.unwrap(), high.unwrap());
                        low <= value && value <= high
                    }
                }
                other => panic!("no such kind: {other}"),
            };
            assert!(
                sound || optional && found.is_null(),
                "{place} is {found}, not {kind}"
            );
        }
        Value::Array(items) if items.len() == 1 => {
            for (index, item) in found.as_array().expect(place).iter().enumerate() {
                assert_shape(item, &items[0], &format!("{place}[{index}]"));
            }
        }
        Value::Array(items) => {
            let found = found.as_array().expect(place);
            assert_eq!(found.len(), items.len(), "{place}");
            for (index, (item, pattern)) in found.iter().zip(items).enumerate() {
                assert_shape(item, pattern, &format!("{place}[{index}]"));
            }
        }
        Value::Object(fields) => {
            for (name, pattern) in fields {
                let value = found
                    .get(name)
                    .unwrap_or_else(|| panic!("{place}.{name} is missing"));
                assert_shape(value, pattern, &format!("{place}.{name}"));
            }
        }
        other => assert_eq!(found, other, "{place}"),
    }
}

fn measurement() -> Value {
    json!({
        "file": "text", "channel": "text", "unit": "text", "sample_rate_hz": "number",
        "samples": "integer", "duration_s": "number", "confidence": "number",
        "dc_offset": "estimate",
        "mains": {
            "nominal_hz": "number", "detected": "flag", "frequency_hz": "?estimate",
            "hum_rms": "?estimate", "thd_percent": "?number",
            "harmonics": [{"order": "integer", "rms": "estimate", "phase_deg": "?estimate",
                           "detected": "flag"}]
        },
        "noise": {"band_hz": ["number", "number"], "rms": "estimate",
                  "density_v_per_rthz": "estimate"},
        "tones": [{"frequency_hz": "estimate", "rms": "estimate"}],
        "waveform": {"rms": "number", "ac_rms": "number", "peak_to_peak": "number",
                     "crest_factor": "number", "min": "number", "max": "number"},
        "quality": {"clipped_samples": "integer", "lsb": "?number",
                    "warnings": [{"code": "text", "message": "text"}]}
    })
}

#[test]
fn measure_has_its_fields() {
    let files = [
        "data/demo/looped_1.csv",
        "data/demo/baseline_1.csv",
        "data/demo/wav/looped.wav",
        "data/demo/weighing.csv",
    ];
    let lines = humsieve(&[&["measure"], &files[..]].concat());
    assert_eq!(lines.len(), 5);
    for line in &lines {
        assert_shape(line, &measurement(), line["file"].as_str().unwrap());
    }
}

#[test]
fn a_failure_has_its_fields() {
    let lines = humsieve(&["measure", "no-such-file.csv"]);
    let pattern = json!({"file": "text", "error": {"kind": "text", "message": "text"}});
    assert_shape(&lines[0], &pattern, "failure");
}

#[test]
fn compare_has_its_fields() {
    let lines = humsieve(&[
        "compare",
        "--baseline",
        "data/demo/baseline_1.csv",
        "--looped",
        "data/demo/looped_1.csv",
        "--isolated",
        "data/demo/isolator_1.csv",
    ]);
    assert_eq!(lines.len(), 1);
    let ratio = json!({"value": "?number", "low": "?number", "high": "?number"});
    let pattern = json!({
        "confidence": 0.95, "mains_nominal_hz": 50.0, "band_hz": ["number", "number"],
        "captures": {"baseline": 1, "looped": 1, "isolated": 1},
        "quantities": [{"name": "text", "unit": "text", "verdict": "text",
                        "baseline": "?estimate", "looped": "?estimate", "isolated": "?estimate",
                        "loop_excess": "?estimate", "residual_excess": "?estimate"}],
        "warnings": [{"code": "text", "message": "text"}]
    });
    assert_shape(&lines[0], &pattern, "comparison");
    let quantities = lines[0]["quantities"].as_array().unwrap();
    let names: Vec<&str> = quantities
        .iter()
        .map(|q| q["name"].as_str().unwrap())
        .collect();
    for name in [
        "dc_offset",
        "hum_rms",
        "harmonic_1_rms",
        "noise_rms",
        "ac_rms",
        "peak_to_peak",
    ] {
        assert!(names.contains(&name), "{name} not in {names:?}");
    }
    for quantity in quantities {
        for name in ["improvement_db", "excess_reduction_db"] {
            let found = quantity
                .get(name)
                .unwrap_or_else(|| panic!("{name} is missing"));
            if !found.is_null() {
                assert_shape(found, &ratio, name);
            }
        }
        let verdict = quantity["verdict"].as_str().unwrap();
        assert!(["improved", "worse", "unresolved", "at_floor"].contains(&verdict));
    }
}

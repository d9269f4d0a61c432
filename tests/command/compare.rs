//! `humsieve compare` as a whole program, on the demo whose true values are known.

use crate::program::humsieve;
use serde_json::Value;
use std::process::Output;

fn compare(arguments: &[&str]) -> Output {
    humsieve(&["compare"]).args(arguments).output().unwrap()
}

/// The comparison of these captures of the demo; status 0.
fn compared(conditions: &[(&str, &[&str])], options: &[&str]) -> Value {
    let mut arguments: Vec<String> = Vec::new();
    for (condition, captures) in conditions {
        arguments.push(format!("--{condition}"));
        arguments.extend(captures.iter().map(|name| format!("data/demo/{name}.csv")));
    }
    arguments.extend(options.iter().map(ToString::to_string));
    arguments.extend(["--format", "jsonl"].map(String::from));
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let output = compare(&arguments);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn quantity<'a>(comparison: &'a Value, name: &str) -> &'a Value {
    let quantities = comparison["quantities"].as_array().unwrap();
    quantities.iter().find(|q| q["name"] == name).unwrap()
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

const BASELINE: (&str, &[&str]) = ("baseline", &["baseline_1", "baseline_2", "baseline_3"]);
const LOOPED: (&str, &[&str]) = ("looped", &["looped_1", "looped_2", "looped_3"]);
const ISOLATOR: (&str, &[&str]) = ("isolated", &["isolator_1", "isolator_2", "isolator_3"]);

#[test]
fn the_isolator_improves_the_demo() {
    let comparison = compared(&[BASELINE, LOOPED, ISOLATOR], &[]);
    assert_eq!(
        comparison["captures"],
        serde_json::json!({"baseline": 3, "looped": 3, "isolated": 3})
    );
    let hum = quantity(&comparison, "hum_rms");
    assert_eq!(hum["verdict"], "improved");
    // Put in: 3.12 mV of hum looped, 9.2 µV with the isolator, from `truth.json`.
    let improvement = number(&hum["improvement_db"]["value"]);
    assert!((40.0..60.0).contains(&improvement), "{improvement} dB");
    assert!(number(&hum["improvement_db"]["low"]) > 30.0);
    let offset = quantity(&comparison, "dc_offset");
    assert_eq!(offset["verdict"], "improved");
    // 11.6 mV less the floor's 0.21 mV.
    let excess = number(&offset["loop_excess"]["value"]);
    assert!((11.2e-3..11.6e-3).contains(&excess), "{excess}");
}

#[test]
fn two_captures_of_one_process_are_not_told_apart() {
    let comparison = compared(
        &[("looped", &["looped_1"]), ("isolated", &["looped_1"])],
        &[],
    );
    for quantity in comparison["quantities"].as_array().unwrap() {
        assert_eq!(quantity["verdict"], "unresolved", "{quantity}");
    }
    let comparison = compared(
        &[("baseline", &["baseline_1"]), ("looped", &["baseline_2"])],
        &[],
    );
    let hum = quantity(&comparison, "hum_rms");
    assert_eq!(hum["verdict"], "unresolved", "{hum}");
}

#[test]
fn any_two_conditions_do() {
    let without_isolated = compared(&[BASELINE, LOOPED], &[]);
    let hum = quantity(&without_isolated, "hum_rms");
    assert!(hum["isolated"].is_null() && hum["residual_excess"].is_null());
    assert!(hum["loop_excess"].is_object());
    assert_eq!(hum["verdict"], "improved");

    let without_baseline = compared(&[LOOPED, ISOLATOR], &[]);
    let hum = quantity(&without_baseline, "hum_rms");
    assert!(hum["loop_excess"].is_null() && hum["residual_excess"].is_null());
    assert!(hum["baseline"].is_null());
}

#[test]
fn options_bear_on_every_capture() {
    let comparison = compared(
        &[BASELINE, LOOPED],
        &[
            "--band",
            "100:2k",
            "--harmonics",
            "3",
            "--confidence",
            "0.9",
            "--mains",
            "50",
        ],
    );
    assert_eq!(comparison["confidence"], 0.9);
    assert_eq!(comparison["band_hz"], serde_json::json!([100.0, 2000.0]));
    let names: Vec<&str> = comparison["quantities"]
        .as_array()
        .unwrap()
        .iter()
        .map(|q| q["name"].as_str().unwrap())
        .filter(|name| name.starts_with("harmonic_"))
        .collect();
    assert_eq!(
        names,
        ["harmonic_1_rms", "harmonic_2_rms", "harmonic_3_rms"]
    );
}

#[test]
fn unequal_rates_meet_in_the_common_band() {
    let output = compare(&[
        "--looped",
        "data/demo/wav/looped.wav",
        "--isolated",
        "data/demo/isolator_1.csv",
        "--format",
        "jsonl",
    ]);
    let comparison: Value = serde_json::from_slice(&output.stdout).unwrap();
    let codes: Vec<&str> = comparison["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|w| w["code"].as_str().unwrap())
        .collect();
    assert!(codes.contains(&"rate_mismatch"), "{codes:?}");
    assert!(number(&comparison["band_hz"][1]) <= 5000.0);
}

#[test]
fn limits_decide_the_status() {
    let status = |limits: &[&str]| {
        let mut arguments = vec![
            "--baseline",
            "data/demo/baseline_1.csv",
            "--looped",
            "data/demo/looped_1.csv",
            "--isolated",
            "data/demo/isolator_1.csv",
        ];
        for limit in limits {
            arguments.extend(["--limit", limit]);
        }
        let output = compare(&arguments);
        assert!(!output.stdout.is_empty());
        output.status.code().unwrap()
    };
    assert_eq!(status(&["hum_rms=1m", "improvement.hum_rms=30dB"]), 0);
    assert_eq!(status(&["hum_rms=1u"]), 1);
    assert_eq!(status(&["hum_rms=1m", "improvement.hum_rms=90dB"]), 1);
}

#[test]
fn a_capture_that_fails_leaves_the_others() {
    let output = compare(&[
        "--baseline",
        "data/demo/baseline_1.csv",
        "no-such-file.csv",
        "--looped",
        "data/demo/looped_1.csv",
        "--format",
        "jsonl",
    ]);
    assert_eq!(output.status.code(), Some(3));
    let comparison: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(comparison["captures"]["baseline"], 1);
    assert!(
        String::from_utf8(output.stderr)
            .unwrap()
            .contains("no-such-file.csv")
    );

    let output = compare(&[
        "--baseline",
        "no-such-file.csv",
        "--looped",
        "data/demo/looped_1.csv",
    ]);
    assert_eq!(output.status.code(), Some(3));
    assert!(output.stdout.is_empty());
}

#[test]
fn the_text_reads_at_80_columns_and_says_what_is_claimed() {
    let output = compare(&[
        "--baseline",
        "data/demo/baseline_1.csv",
        "--looped",
        "data/demo/looped_1.csv",
        "--isolated",
        "data/demo/differential_1.csv",
    ]);
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    for word in [
        "baseline",
        "looped",
        "isolated",
        "hum",
        "dB",
        "95 % confidence",
    ] {
        assert!(text.contains(word), "{word} not in {text}");
    }
}

#[test]
fn the_number_of_jobs_changes_nothing() {
    let with_jobs = |jobs| compared(&[BASELINE, LOOPED, ISOLATOR], &["--jobs", jobs]);
    assert_eq!(with_jobs("1"), with_jobs("3"));
}

/// Measured on many days, compared later: the lines stand in for their captures.
#[test]
fn lines_that_measure_wrote_stand_in_for_their_captures() {
    let folder = tempfile::tempdir().unwrap();
    let lines = |name: &str, captures: &[&str]| {
        let files = captures
            .iter()
            .map(|capture| format!("data/demo/{capture}.csv"));
        let output = humsieve(&["measure", "--format", "jsonl"])
            .args(files)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0));
        let path = folder.path().join(name);
        std::fs::write(&path, output.stdout).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let (baseline, looped) = (lines("b.jsonl", BASELINE.1), lines("l.jsonl", LOOPED.1));
    let read = compare(&[
        "--baseline",
        &baseline,
        "--looped",
        &looped,
        "--isolated",
        "data/demo/isolator_1.csv",
        "--format",
        "jsonl",
    ]);
    assert_eq!(read.status.code(), Some(0));
    let read: Value = serde_json::from_slice(&read.stdout).unwrap();
    assert_eq!(read["schema"], 1);
    let direct = compared(&[BASELINE, LOOPED, ("isolated", &["isolator_1"])], &[]);
    // Measured once at either mains, not again at the common one: the offset and the noise of captures
    // without hum move within their intervals.
    assert_eq!(read["left_out"], direct["left_out"]);
    for q in direct["quantities"].as_array().unwrap() {
        let name = q["name"].as_str().unwrap();
        let other = quantity(&read, name);
        assert_eq!(q["verdict"], other["verdict"], "{name}");
        assert_eq!(q["looped"], other["looped"], "{name}");
        assert!(!other["baseline"].is_null(), "{name}");
    }

    let later = std::fs::read_to_string(&looped)
        .unwrap()
        .replace("\"schema\":1", "\"schema\":99");
    std::fs::write(&looped, later).unwrap();
    let refused = compare(&["--baseline", &baseline, "--looped", &looped]);
    assert_eq!(refused.status.code(), Some(3));
    let told = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(
        told.contains("schema 99") && told.contains("line 1"),
        "{told}"
    );
}

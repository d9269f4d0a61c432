//! `humsieve measure --against`: the change against an earlier capture, in every format.

use crate::program::humsieve;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Output;

const FLOOR: &str = "data/demo/baseline_1.csv";
const LOOPED: &str = "data/demo/looped_1.csv";
const FIGURES: [&str; 3] = ["dc_offset", "hum_rms", "noise_rms"];

fn measured(arguments: &[&str]) -> Output {
    humsieve(&["measure"]).args(arguments).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Lines of JSON; status 0.
fn lines(arguments: &[&str]) -> Vec<Value> {
    let output = measured(&[arguments, &["--format", "jsonl"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

fn compared(floor: &str, looped: &str) -> Value {
    let arguments = ["compare", "--format", "jsonl", "--baseline", floor];
    let output = humsieve(&arguments)
        .args(["--looped", looped])
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The ratios are those of `compare`, of captures that share their settings and of some that do not.
#[test]
fn the_change_is_the_ratio_of_compare() {
    for (floor, looped) in [
        (FLOOR, LOOPED),
        (FLOOR, "data/demo/weighing.csv"),
        (LOOPED, FLOOR),
        ("data/demo/wav/looped.wav", LOOPED),
    ] {
        let comparison = compared(floor, looped);
        let against = &lines(&[looped, "--against", floor])[0]["against"];
        assert_eq!(against["file"], floor);
        for name in FIGURES {
            let quantities = comparison["quantities"].as_array().unwrap();
            let expected = quantities.iter().find(|q| q["name"] == name).unwrap();
            let expected = &expected["improvement_db"];
            assert_eq!(&against[name], expected, "{looped} to {floor}: {name}");
        }
    }
}

/// Put in by the demo: 11.6 mV beside 0.21 mV of offset (34.9 dB), hum of millivolts beside less than the
/// floor shows.
#[test]
fn a_floor_without_hum_leaves_the_upper_end_open() {
    let line = &lines(&[LOOPED, "--against", FLOOR])[0];
    let against = &line["against"];
    assert!((number(&against["dc_offset"]["value"]) - 34.9).abs() < 0.8);
    assert!(number(&against["hum_rms"]["low"]) > 40.0);
    assert!(against["hum_rms"]["high"].is_null(), "{against}");
    let difference = number(&against["dc_offset_difference"]["value"]);
    assert!((difference - 11.39e-3).abs() < 0.06e-3, "{difference}");
    let back = &lines(&[FLOOR, "--against", LOOPED])[0]["against"];
    assert!(number(&back["hum_rms"]["high"]) < -40.0);
    assert!(back["hum_rms"]["low"].is_null(), "{back}");
    assert!(lines(&[LOOPED])[0].get("against").is_none());
}

#[test]
fn earlier_results_stand_for_their_captures() {
    let folder = tempfile::tempdir().unwrap();
    let results = folder.path().join("floor.jsonl");
    let write = |captures: &[&str]| {
        let output = measured(&[captures, &["--format", "jsonl"]].concat());
        fs::write(&results, output.stdout).unwrap();
    };
    let results_name = results.to_str().unwrap();
    write(&[FLOOR]);
    let by_results = lines(&[LOOPED, "--against", results_name]);
    let by_capture = lines(&[LOOPED, "--against", FLOOR]);
    for name in FIGURES {
        let [a, b] = [&by_results, &by_capture].map(|lines| &lines[0]["against"][name]);
        // A floor without hum may have been read at the other nominal mains before: its noise moves a little.
        let apart = number(&a["value"]) - number(&b["value"]);
        assert!(apart.abs() < 0.02, "{name}: {a} {b}");
    }
    // Of several captures each is held against its own.
    write(&[FLOOR, LOOPED]);
    let output = measured(&[
        LOOPED,
        "data/demo/isolator_1.csv",
        "--against",
        results_name,
        "--format",
        "jsonl",
    ]);
    assert_eq!(output.status.code(), Some(0));
    assert!(told(&output).contains("isolator_1.csv: no change is told"));
    let text = String::from_utf8(output.stdout).unwrap();
    let first: Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
    assert_eq!(first["against"]["file"], LOOPED);
    assert_eq!(first["against"]["hum_rms"]["value"], 0.0);
}

#[test]
fn every_format_tells_the_change() {
    let shown = |options: &[&str]| {
        let output = measured(&[&[LOOPED, "--against", FLOOR], options].concat());
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    let text = shown(&[]);
    let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        joined.contains(&format!("against {FLOOR}, channel Amplifier output")),
        "{text}"
    );
    assert!(joined.contains("hum, RMS at least"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80));
    let markdown = shown(&["--format", "markdown"]);
    assert!(
        markdown.contains("- against data/demo/baseline"),
        "{markdown}"
    );
    let brief = shown(&["--brief"]);
    let rows: Vec<&str> = brief.lines().collect();
    assert_eq!(rows[0].matches("change").count(), 3, "{brief}");
    assert!(
        rows[1].contains("..34.") && rows[1].contains('≥'),
        "{brief}"
    );
    let csv = shown(&["--format", "csv"]);
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let row = reader.records().next().unwrap().unwrap();
    let cell = |name: &str| &row[headers.iter().position(|h| h == name).unwrap()];
    assert_eq!(cell("against_file"), FLOOR);
    assert!(cell("hum_rms_change_db_low").parse::<f64>().unwrap() > 40.0);
    assert_eq!(cell("hum_rms_change_db_high"), "");
    let log = shown(&["--every", "0.4"]);
    assert_eq!(log.matches("    change  ").count(), 2, "{log}");
}

#[test]
fn what_cannot_be_read_is_told_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let broken = folder.path().join("broken.jsonl");
    fs::write(&broken, "{\"file\": 1}\n").unwrap();
    for file in ["no-such.csv", "-", "data/demo", broken.to_str().unwrap()] {
        let output = measured(&[LOOPED, "--against", file]);
        assert_eq!(output.status.code(), Some(2), "{file}: {}", told(&output));
        assert!(output.stdout.is_empty());
        let told = told(&output);
        assert_eq!(told.lines().count(), 1, "{told}");
        assert!(told.contains("name a capture"), "{told}");
    }
}

fn two_channels(path: &Path, names: [&str; 2]) {
    let rows: String = (0..4000)
        .map(|n| {
            let t = f64::from(n) / 2000.0;
            let hum = (std::f64::consts::TAU * 50.0 * t).cos();
            let noise = f64::from(n * 7919 % 1009) * 1e-5;
            format!("{t:.4},{:.6},{:.6}\n", 0.1 * hum + noise, 0.3 * hum + noise)
        })
        .collect();
    let text = format!("time (s),{} (V),{} (V)\n{rows}", names[0], names[1]);
    fs::write(path, text).unwrap();
}

#[test]
fn channels_are_matched_by_name_then_by_number() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    two_channels(&path("a.csv"), ["left", "right"]);
    two_channels(&path("swapped.csv"), ["right", "left"]);
    two_channels(&path("others.csv"), ["in", "out"]);
    two_channels(&path("half.csv"), ["right", "third"]);
    let matched = |against: &str, options: &[&str]| -> (Vec<Value>, String) {
        let (a, against) = (path("a.csv"), path(against));
        let arguments = [a.to_str().unwrap(), "--against", against.to_str().unwrap()];
        let output = measured(&[&arguments, options, &["--format", "jsonl"]].concat());
        assert_eq!(output.status.code(), Some(0));
        let text = std::str::from_utf8(&output.stdout).unwrap();
        let channel = |line: &str| {
            let line: Value = serde_json::from_str(line).unwrap();
            line.get("against")
                .map_or(Value::Null, |a| a["channel"].clone())
        };
        (text.lines().map(channel).collect(), told(&output))
    };
    assert_eq!(matched("swapped.csv", &[]).0, ["left", "right"]);
    assert_eq!(matched("others.csv", &[]).0, ["in", "out"]);
    // The first has no namesake, and the place it has there is taken by a name.
    let (found, told) = matched("half.csv", &[]);
    assert_eq!(found, [Value::Null, "right".into()]);
    assert!(told.contains("channel left: no change is told"), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert_eq!(matched("half.csv", &["--quiet"]).1, "");
    assert_eq!(matched("others.csv", &["--channel", "2"]).0, ["out"]);
}

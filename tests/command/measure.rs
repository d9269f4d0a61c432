//! `humsieve measure` as a whole program: every option's effect, statuses, order, batches.

use crate::program::humsieve;
use serde_json::Value;
use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::{Output, Stdio};

const LOOPED: &str = "data/demo/looped_1.csv";
const WAVE: &str = "data/demo/wav/looped.wav";

fn lines(output: &Output) -> Vec<Value> {
    let text = std::str::from_utf8(&output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// Measures one capture with these options; status 0 and a line for each channel, without what it rests on.
fn measured(capture: &str, options: &[&str]) -> Vec<Value> {
    let output = humsieve(&["measure", capture, "--format", "jsonl"])
        .args(options)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{options:?}: {told}");
    let mut lines = lines(&output);
    for line in &mut lines {
        let source = line.as_object_mut().unwrap().remove("source").unwrap();
        assert!(source["options"].is_string());
    }
    lines
}

fn one(capture: &str, options: &[&str]) -> Value {
    let mut lines = measured(capture, options);
    assert_eq!(lines.len(), 1);
    lines.remove(0)
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

fn width(estimate: &Value) -> f64 {
    number(&estimate["high"]) - number(&estimate["low"])
}

fn codes(line: &Value) -> Vec<&str> {
    let warnings = line["quality"]["warnings"].as_array().unwrap();
    warnings
        .iter()
        .map(|w| w["code"].as_str().unwrap())
        .collect()
}

/// Tolerances are five standard deviations, computed from what the generator puts in (0.8 s at least):
/// offset: white noise 38 µV/√8000 and slow parts 5 µV·√(2·memory/0.8 s) for 1, 3 and 10 ms: 1.0 µV.
/// Amplitudes: 38 µV·√(2/8000) = 0.6 µV, and a thousandth for what the grid's wander takes from the
/// lines. Noise: 1/√(2·8000) = 0.8 %. Frequency of the strong series: the grid wanders by
/// 8 mHz·√(2·0.8/20) = 2.3 mHz within 0.8 s (3.6 mHz in 2 s), and mean and fit weigh that differently;
/// once this much is allowed.
#[test]
fn the_demo_reads_as_what_was_put_in() {
    let truth: Value = serde_json::from_slice(&fs::read("data/demo/truth.json").unwrap()).unwrap();
    for (file, truth) in truth.as_object().unwrap() {
        if file == "weighing.csv" {
            continue;
        }
        let line = one(&format!("data/demo/{file}"), &[]);
        let mains = &line["mains"];
        let near = |name: &str, estimate: &Value, tolerance: f64| {
            let (truth, value) = (number(&truth[name]), number(&estimate["value"]));
            assert!(
                (value - truth).abs() <= tolerance,
                "{file}: {name} is {truth}, measured {value}"
            );
        };
        let hum = number(&truth["hum_rms"]);
        near("dc_offset", &line["dc_offset"], 5.2e-6);
        near("hum_rms", &mains["hum_rms"], 3e-6 + 1e-3 * hum);
        near(
            "harmonic_1_rms",
            &mains["harmonics"][0]["rms"],
            3e-6 + 1e-3 * hum,
        );
        near(
            "noise_rms",
            &line["noise"]["rms"],
            0.04 * number(&truth["noise_rms"]),
        );
        if hum > 1e-3 {
            assert_eq!(mains["detected"], true, "{file}");
            near("mains_frequency_hz", &mains["frequency_hz"], 3.6e-3);
        }
    }
}

#[test]
fn mains_is_looked_for_where_it_is_named() {
    assert_eq!(one(LOOPED, &[])["mains"]["nominal_hz"], 50.0);
    assert_eq!(
        one(LOOPED, &["--mains", "auto"])["mains"]["nominal_hz"],
        50.0
    );
    let at_60 = one(LOOPED, &["--mains", "60"]);
    assert_eq!(at_60["mains"]["nominal_hz"], 60.0);
    let frequency = &at_60["mains"]["frequency_hz"]["value"];
    assert!(frequency.is_null() || (number(frequency) - 60.0).abs() <= 0.61);
}

#[test]
fn the_band_is_the_one_asked_for() {
    let line = one(LOOPED, &["--band", "100:2k"]);
    assert_eq!(line["noise"]["band_hz"], serde_json::json!([100.0, 2000.0]));
    let wide = one(LOOPED, &["--band", "100:4k"]);
    let ratio = number(&wide["noise"]["rms"]["value"]) / number(&line["noise"]["rms"]["value"]);
    // Nearly white noise: the RMS goes with the square root of the width.
    approx::assert_relative_eq!(ratio, (3900f64 / 1900.0).sqrt(), max_relative = 0.05);
    let beyond = one(LOOPED, &["--band", "100:20k"]);
    assert!(
        codes(&beyond).contains(&"band_reduced"),
        "{:?}",
        codes(&beyond)
    );
}

#[test]
fn harmonics_go_to_the_order_asked_for() {
    let orders = |options: &[&str]| -> Vec<u64> {
        let line = one(LOOPED, options);
        let harmonics = line["mains"]["harmonics"].as_array().unwrap().clone();
        harmonics
            .iter()
            .map(|h| h["order"].as_u64().unwrap())
            .collect()
    };
    assert_eq!(orders(&["--harmonics", "5"]), [1, 2, 3, 4, 5]);
    assert_eq!(orders(&[]), (1..=40).collect::<Vec<_>>());
    // As many as lie below Nyquist: 99 times 50.02 Hz is the last below 5 kHz.
    let most = orders(&["--harmonics", "500"]);
    assert!((95..=99).contains(&most.len()), "{}", most.len());
}

#[test]
fn a_lower_confidence_gives_narrower_intervals() {
    let (low, high) = (
        one(LOOPED, &["--confidence", "0.5"]),
        one(LOOPED, &["--confidence", "0.99"]),
    );
    assert_eq!(low["confidence"], 0.5);
    for path in [
        "/dc_offset",
        "/mains/hum_rms",
        "/noise/rms",
        "/mains/frequency_hz",
    ] {
        let (low, high) = (low.pointer(path).unwrap(), high.pointer(path).unwrap());
        assert!(width(low) < width(high), "{path}");
    }
}

#[test]
fn the_sample_rate_of_the_user_overrides() {
    let line = one(LOOPED, &["--sample-rate", "20k"]);
    assert_eq!(line["sample_rate_hz"], 20e3);
    approx::assert_relative_eq!(number(&line["duration_s"]), 0.4, max_relative = 1e-9);
}

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// A column of numbers without name, unit or time: 0.2 s of 50 Hz at 5 kHz, amplitude 100, offset 7.
fn bare_column() -> String {
    (0..1000)
        .map(|i| {
            let phase = std::f64::consts::TAU * 50.0 * f64::from(i) / 5000.0;
            let dither = f64::from((i * 7919) % 101) / 50.0 - 1.0;
            format!("{:.4}\n", 7.0 + 100.0 * phase.cos() + dither)
        })
        .collect()
}

#[test]
fn rate_and_unit_are_supplied_where_the_file_does_not_say() {
    let folder = tempfile::tempdir().unwrap();
    let file = write(folder.path(), "bare.csv", &bare_column());
    let output = humsieve(&["measure", &file, "--format", "jsonl"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(lines(&output)[0]["error"]["kind"], "no_sample_rate");

    let volts = one(&file, &["--sample-rate", "5k"]);
    let microvolts = one(&file, &["--sample-rate", "5k", "--unit", "uV"]);
    assert_eq!(volts["unit"], "V");
    assert_eq!(microvolts["unit"], "V");
    approx::assert_relative_eq!(
        number(&volts["dc_offset"]["value"]),
        7.0,
        max_relative = 0.02
    );
    approx::assert_relative_eq!(
        number(&microvolts["dc_offset"]["value"]),
        7e-6,
        max_relative = 0.02
    );
}

#[test]
fn scale_and_full_scale_bear_on_the_values() {
    let ac_rms = |line: &Value| number(&line["waveform"]["ac_rms"]);
    let plain = one(LOOPED, &[]);
    let probed = one(LOOPED, &["--scale", "10"]);
    approx::assert_relative_eq!(ac_rms(&probed), 10.0 * ac_rms(&plain), max_relative = 1e-9);
    let turned = one(LOOPED, &["--scale", "-1"]);
    approx::assert_relative_eq!(
        number(&turned["dc_offset"]["value"]),
        -number(&plain["dc_offset"]["value"]),
        max_relative = 1e-6
    );
    let wave = one(WAVE, &[]);
    let ranged = one(WAVE, &["--full-scale", "500m"]);
    approx::assert_relative_eq!(ac_rms(&ranged), 0.5 * ac_rms(&wave), max_relative = 1e-9);
    let clipped = one(LOOPED, &["--full-scale", "17.5m"]);
    assert!(clipped["quality"]["clipped_samples"].as_u64().unwrap() > 0);
    assert!(codes(&clipped).contains(&"clipped"));
}

#[test]
fn ac_coupling_is_told() {
    assert!(codes(&one(LOOPED, &["--coupling", "ac"])).contains(&"ac_coupled"));
    assert!(!codes(&one(LOOPED, &["--coupling", "dc"])).contains(&"ac_coupled"));
}

#[test]
fn a_log_has_one_line_a_stretch() {
    let log = measured(LOOPED, &["--every", "0.2"]);
    let starts: Vec<f64> = log.iter().map(|line| number(&line["start_s"])).collect();
    assert_eq!(starts.len(), 4);
    for (index, start) in starts.iter().enumerate() {
        approx::assert_abs_diff_eq!(*start, 0.2 * index as f64, epsilon = 1e-9);
    }
    assert!(one(LOOPED, &[]).get("start_s").is_none());
}

#[test]
fn channels_are_chosen_by_name_or_number() {
    let file = "data/demo/weighing.csv";
    let both = measured(file, &[]);
    assert_eq!(both.len(), 2);
    let second = both[1]["channel"].as_str().unwrap();
    assert_eq!(measured(file, &["--channel", "2"]), both[1..]);
    assert_eq!(measured(file, &["--channel", second]), both[1..]);
    assert_eq!(
        measured(file, &["--channel", "2", "--channel", "1"]).len(),
        2
    );

    let output = humsieve(&["measure", file, "--format", "jsonl", "--channel", "third"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(lines(&output)[0]["error"]["kind"], "no_such_channel");
}

#[test]
fn limits_decide_the_status() {
    let status = |limits: &[&str]| {
        let mut command = humsieve(&["measure", LOOPED, "--format", "jsonl"]);
        for limit in limits {
            command.args(["--limit", limit]);
        }
        let output = command.output().unwrap();
        assert_eq!(lines(&output).len(), 1);
        (
            output.status.code().unwrap(),
            String::from_utf8(output.stderr).unwrap(),
        )
    };
    assert_eq!(
        status(&["hum_rms=10m", "dc_offset=20mV"]),
        (0, String::new())
    );
    let (code, told) = status(&["hum_rms=10m", "noise_rms=1u"]);
    assert_eq!(code, 1);
    assert!(
        told.contains("noise_rms") && told.contains("fail"),
        "{told}"
    );
    assert!(!told.contains("hum_rms"), "{told}");
    assert_eq!(status(&["harmonic_99_rms=1"]).0, 1);
    assert_eq!(
        status(&["peak_to_peak=1", "ac_rms=1", "harmonic_3_rms=1m"]).0,
        0
    );
    // Upper bound of an offset: of its magnitude.
    let output = humsieve(&[
        "measure",
        LOOPED,
        "--scale",
        "-1",
        "--limit",
        "dc_offset=1m",
    ])
    .output()
    .unwrap();
    assert_eq!(output.status.code(), Some(1));
}

#[test]
fn a_bad_file_costs_itself_only_and_order_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let bad = write(
        folder.path(),
        "bad.csv",
        "Time (s),A (V)\n0.0,1.0\n0.1,oops\n0.2,1.0\n",
    );
    let arguments = [LOOPED, &bad, "no-such-file.csv", "data/demo/baseline_1.csv"];
    let mut outputs = Vec::new();
    for jobs in ["1", "2", "7"] {
        let output = humsieve(&["measure", "--format", "jsonl", "--jobs", jobs])
            .args(arguments)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(3));
        let found = lines(&output);
        let files: Vec<&str> = found.iter().map(|l| l["file"].as_str().unwrap()).collect();
        assert_eq!(files, arguments);
        assert_eq!(found[2]["error"]["kind"], "not_found");
        assert!(found[1]["error"]["message"].is_string());
        assert!(found[0]["dc_offset"].is_object() && found[3]["dc_offset"].is_object());
        let told = String::from_utf8(output.stderr).unwrap();
        assert!(
            told.contains("no-such-file.csv") && told.contains("bad.csv"),
            "{told}"
        );
        outputs.push(output.stdout);
    }
    assert!(outputs.iter().all(|output| output == &outputs[0]));
}

#[test]
fn an_error_weighs_more_than_a_limit() {
    let output = humsieve(&[
        "measure",
        LOOPED,
        "no-such-file.csv",
        "--limit",
        "hum_rms=1n",
    ])
    .output()
    .unwrap();
    assert_eq!(output.status.code(), Some(3));
}

#[test]
fn captures_come_from_lists_folders_and_standard_input() {
    let list = "data/demo/looped_1.csv\r\n\ndata/demo/looped_2.csv\n";
    let output = humsieve(&["measure", "--files-from", "-", "--format", "jsonl"])
        .write_stdin(list)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let files: Vec<Value> = lines(&output).iter().map(|l| l["file"].clone()).collect();
    assert_eq!(files, ["data/demo/looped_1.csv", "data/demo/looped_2.csv"]);

    let folder = tempfile::tempdir().unwrap();
    let listed = write(folder.path(), "list", list);
    let output = humsieve(&["measure", "data/demo/baseline_1.csv", "--format", "jsonl"])
        .args(["--files-from", &listed])
        .output()
        .unwrap();
    assert_eq!(lines(&output).len(), 3);

    let output = humsieve(&["measure", "data/demo/wav", "--format", "jsonl"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(lines(&output).len(), 4);

    let text = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(LOOPED)).unwrap();
    let output = humsieve(&["measure", "-", "--format", "jsonl"])
        .write_stdin(text)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let (piped, read) = (&lines(&output)[0], one(LOOPED, &[]));
    assert_eq!(piped["file"], "-");
    assert_eq!(piped["mains"], read["mains"]);
}

#[test]
fn an_empty_folder_is_a_failed_capture() {
    let folder = tempfile::tempdir().unwrap();
    let output = humsieve(&["measure", "--format", "jsonl"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(lines(&output)[0]["error"]["kind"], "not_found");
}

#[test]
fn explanations_stand_instead_of_measurements() {
    let output = humsieve(&["measure", LOOPED, WAVE, "--explain-input"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    for word in [
        "looped_1.csv",
        "Amplifier output",
        "mV",
        "10000 Hz",
        "looped.wav",
        "48000 Hz",
    ] {
        assert!(text.contains(word), "{word} not in {text}");
    }
    let output = humsieve(&["measure", "no-such-file.csv", "--explain-input"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
}

#[test]
fn every_format_bears_the_figures() {
    let written = |format: &str| {
        let output = humsieve(&["measure", LOOPED, "--format", format])
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0));
        assert!(output.stderr.is_empty());
        String::from_utf8(output.stdout).unwrap()
    };
    let text = written("text");
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    for word in [
        "DC offset",
        "mains frequency",
        "hum, RMS",
        "noise in band",
        "95 % interval",
        "mV",
    ] {
        assert!(text.contains(word), "{word} not in {text}");
    }
    assert_eq!(written("text"), humsieve_default());
    assert!(written("markdown").contains("| hum, RMS |"));
    let table = written("csv");
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let header = reader.headers().unwrap().clone();
    let row = reader.records().next().unwrap().unwrap();
    let column = header.iter().position(|name| name == "hum_rms").unwrap();
    let line = one(LOOPED, &[]);
    let cell: f64 = row[column].parse().unwrap();
    approx::assert_relative_eq!(cell, number(&line["mains"]["hum_rms"]["value"]));
}

fn humsieve_default() -> String {
    let output = humsieve(&["measure", LOOPED]).output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_closed_pipe_is_no_error() {
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["measure", "data/demo", "--format", "jsonl"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0; 10];
    child.stdout.take().unwrap().read_exact(&mut first).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(
        output.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

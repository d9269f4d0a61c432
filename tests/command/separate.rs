//! `humsieve separate` as a whole program: options, output files, statuses.

use crate::program::run;
use serde_json::Value;
use std::fs;
use std::path::Path;

const WEIGHING: &str = "data/demo/weighing.csv";

fn separated(output: &Path, options: &[&str]) -> Value {
    let output = output.to_str().unwrap();
    let arguments = [
        &[
            "separate",
            WEIGHING,
            "-o",
            output,
            "--channel",
            "1",
            "--format",
            "jsonl",
        ],
        options,
    ]
    .concat();
    let result = run(&arguments);
    let told = String::from_utf8_lossy(&result.stderr).into_owned();
    assert_eq!(result.status.code(), Some(0), "{told}");
    serde_json::from_slice(&result.stdout).unwrap()
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

fn column(path: &Path, index: usize) -> Vec<f64> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader
        .records()
        .map(|record| record.unwrap()[index].parse().unwrap())
        .collect()
}

#[test]
fn the_result_has_its_fields() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.csv");
    let result = separated(&target, &[]);
    assert_eq!(result["file"], WEIGHING);
    assert_eq!(result["channel"], "Amplifier output");
    assert_eq!(result["output"], target.to_str().unwrap());
    assert_eq!(result["method"], "harmonic");
    for name in ["dc_offset", "mains_rms", "coherent_rms"] {
        assert!(result["removed"][name].is_number(), "{name}");
    }
    for name in ["mains_frequency_hz", "residual_hum_rms"] {
        for part in ["value", "low", "high"] {
            assert!(result[name][part].is_number(), "{name}.{part}");
        }
    }
    assert!(result["warnings"].is_array());
    // Put in: 3.1 mV of hum, from `truth.json`.
    let mains = number(&result["removed"]["mains_rms"]);
    assert!((2.9e-3..3.3e-3).contains(&mains), "{mains}");
}

/// Offset, interference and cleaned capture add up to the input, but for the digits written.
#[test]
fn components_add_up_to_the_input() {
    let folder = tempfile::tempdir().unwrap();
    let part = |keep: &str| {
        let target = folder.path().join(format!("{keep}.csv"));
        separated(&target, &["--keep", keep, "--offset", "remove"]);
        column(&target, 1)
    };
    let (cleaned, interference, offset) = (part("cleaned"), part("interference"), part("offset"));
    let input = Path::new(env!("CARGO_MANIFEST_DIR")).join(WEIGHING);
    let input = column(&input, 1);
    assert_eq!(cleaned.len(), input.len());
    for i in 0..input.len() {
        let sum = cleaned[i] + interference[i] + offset[i];
        approx::assert_abs_diff_eq!(sum, input[i] * 1e-3, epsilon = 1e-12);
    }
    assert_eq!(part("mains").len(), input.len());
}

#[test]
fn several_components_are_written_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let base = ["separate", WEIGHING, "--channel", "1", "--format", "jsonl"];
    let (mains, offset) = (
        format!("mains={}", path("mains.csv")),
        format!("offset={}", path("offset.csv")),
    );
    let output = path("clean.csv");
    let several = ["-o", &output, "--keep", &mains, "--keep", &offset];
    let result = run(&[&base[..], &several].concat());
    let told = String::from_utf8_lossy(&result.stderr).into_owned();
    assert_eq!(result.status.code(), Some(0), "{told}");
    let line: Value = serde_json::from_slice(&result.stdout).unwrap();
    assert_eq!(line["output"], output);
    assert_eq!(line["components"][1]["keep"], "mains");
    assert_eq!(line["components"][2]["output"], path("offset.csv"));
    for keep in ["cleaned", "mains", "offset"] {
        let alone = folder.path().join("alone.csv");
        separated(&alone, &["--keep", keep]);
        let name = if keep == "cleaned" { "clean" } else { keep };
        let together = folder.path().join(format!("{name}.csv"));
        assert_eq!(
            fs::read(alone).unwrap(),
            fs::read(together).unwrap(),
            "{keep}"
        );
    }
    // One that cannot be written leaves none of them.
    let nowhere = format!("mains={}", path("none/mains.csv"));
    let output = path("left.csv");
    let result = run(&[&base[..], &["-o", &output, "--keep", &nowhere]].concat());
    assert_eq!(result.status.code(), Some(2));
    assert!(!Path::new(&output).exists());
    for wrong in [
        ["--keep", "mains", "--keep", "offset"],
        ["--keep", "hum=x.csv", "--keep", "offset"],
        ["--keep", "mains=x.txt", "--keep", "offset=y.csv"],
        ["--keep", "mains=x.csv", "--keep", "offset=x.csv"],
        ["--keep", "mains=", "--keep", "offset"],
    ] {
        let result = run(&[&base[..], &["-o", &output], &wrong].concat());
        assert_eq!(result.status.code(), Some(2), "{wrong:?}");
        assert!(!Path::new(&output).exists());
    }
}

/// Orders 1 and 3 as a first-order high pass at 20 Hz leaves them.
#[test]
fn a_stated_corner_of_the_coupling_is_made_good() {
    let folder = tempfile::tempdir().unwrap();
    let (input, output) = (folder.path().join("in.csv"), folder.path().join("out.csv"));
    let passed = |order: f64| 1.0 / (1.0 + (20.0 / (50.0 * order)).powi(2)).sqrt();
    let mut table = "time (s),A (V)\n".to_owned();
    for i in 0..20_000 {
        let time = f64::from(i) / 5000.0;
        let order = |k: f64| (std::f64::consts::TAU * 50.0 * k * time).cos();
        let dither = f64::from((i * 7919) % 101 - 50) * 1e-6;
        let hum = passed(1.0) * order(1.0) + 0.5 * passed(3.0) * order(3.0);
        table += &format!("{time:.4},{:.9}\n", hum + dither);
    }
    fs::write(&input, table).unwrap();
    let (input, output) = (input.to_str().unwrap(), output.to_str().unwrap());
    let base = ["separate", input, "-o", output, "--format", "jsonl"];
    let removed = |options: &[&str]| {
        let result = run(&[&base[..], options].concat());
        let told = String::from_utf8_lossy(&result.stderr).into_owned();
        assert_eq!(result.status.code(), Some(0), "{told}");
        let line: Value = serde_json::from_slice(&result.stdout).unwrap();
        number(&line["removed"]["mains_rms"])
    };
    let rms = |first: f64, third: f64| first.hypot(0.5 * third) / 2f64.sqrt();
    // The dither is 30 ppm of the hum.
    let passed = rms(passed(1.0), passed(3.0));
    approx::assert_relative_eq!(removed(&[]), passed, max_relative = 2e-4);
    let before = removed(&["--ac-corner", "20"]);
    approx::assert_relative_eq!(before, rms(1.0, 1.0), max_relative = 2e-4);
    for wrong in [
        ["--ac-corner", "20", "--coupling", "dc"],
        ["--ac-corner", "20", "--reference", "2"],
        ["--ac-corner", "0", "--offset", "keep"],
    ] {
        let result = run(&[&base[..], &wrong].concat());
        assert_eq!(result.status.code(), Some(2), "{wrong:?}");
    }
}

#[test]
fn the_offset_stays_where_asked() {
    let folder = tempfile::tempdir().unwrap();
    let mean = |name: &str, options: &[&str]| {
        let target = folder.path().join(name);
        separated(&target, options);
        let values = column(&target, 1);
        values.iter().sum::<f64>() / values.len() as f64
    };
    let without = mean("a.csv", &["--offset", "remove"]);
    let with = mean("b.csv", &["--offset", "keep"]);
    assert!(without.abs() < 5e-3 && with > 10e-3, "{without} {with}");
    assert_eq!(with, mean("c.csv", &[]));
    assert_eq!(with, mean("d.csv", &["--keep-offset"]));
    let less = mean("e.csv", &["--offset", "-2.5m"]);
    assert!((less - with - 2.5e-3).abs() < 1e-9, "{less} {with}");
    let wrong = run(&["separate", WEIGHING, "-o", "x.csv", "--offset", "some"]);
    assert_eq!(wrong.status.code(), Some(2));
}

#[test]
fn what_is_left_shows_no_hum() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.csv");
    separated(&target, &[]);
    let path = target.to_str().unwrap();
    let result = run(&["measure", path, "--format", "jsonl"]);
    let line: Value = serde_json::from_slice(&result.stdout).unwrap();
    // Three weights step within the record and bear power near the lines; hum was 3.1 mV.
    let hum = number(&line["mains"]["hum_rms"]["value"]);
    assert!(hum < 0.1 * 3.1e-3, "{hum}");
}

#[test]
fn methods_follow_what_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.wav");
    let method = |options: &[&str]| separated(&target, options)["method"].clone();
    assert_eq!(
        method(&["--template", "data/demo/looped_1.csv"]),
        "template"
    );
    assert_eq!(method(&["--reference", "2"]), "reference");
    assert_eq!(method(&["--minus", "Ground sense"]), "difference");
    let reader = hound::WavReader::open(&target).unwrap();
    assert_eq!(reader.spec().sample_rate, 10_000);
    assert_eq!(reader.duration(), 10_000);
    let protected = separated(&target, &["--protect", "50"]);
    let all = separated(&target, &[]);
    assert!(number(&protected["removed"]["mains_rms"]) < number(&all["removed"]["mains_rms"]));
}

#[test]
fn an_output_is_complete_or_absent() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.csv");
    let path = target.to_str().unwrap();
    let result = run(&[
        "separate",
        "no-such-file.csv",
        "-o",
        path,
        "--format",
        "jsonl",
    ]);
    assert_eq!(result.status.code(), Some(3));
    let line: Value = serde_json::from_slice(&result.stdout).unwrap();
    assert_eq!(line["error"]["kind"], "not_found");
    assert_eq!(
        fs::read_dir(folder.path()).unwrap().count(),
        0,
        "nothing is left behind"
    );

    fs::write(&target, "kept").unwrap();
    let result = run(&["separate", WEIGHING, "-o", path, "--channel", "ninth"]);
    assert_eq!(result.status.code(), Some(3));
    assert_eq!(fs::read_to_string(&target).unwrap(), "kept");
}

#[test]
fn an_output_that_cannot_be_written_is_told_before_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("no/such/folder/clean.csv");
    for (path, words) in [
        (missing.to_str().unwrap(), "cannot be written"),
        (folder.path().to_str().unwrap(), "must end in .wav or .csv"),
        ("clean.flac", "must end in .wav or .csv"),
    ] {
        let result = run(&["separate", WEIGHING, "-o", path]);
        assert_eq!(result.status.code(), Some(2), "{path}");
        let told = String::from_utf8(result.stderr).unwrap();
        assert!(told.contains(words), "{told}");
        assert_eq!(told.lines().count(), 1, "{told}");
    }
}

#[test]
fn the_text_reads_at_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.csv");
    let result = run(&["separate", WEIGHING, "-o", target.to_str().unwrap()]);
    assert_eq!(result.status.code(), Some(0));
    let text = String::from_utf8(result.stdout).unwrap();
    for word in [
        "Amplifier output",
        "Ground sense",
        "removed mains",
        "hum left",
    ] {
        assert!(text.contains(word), "{text}");
    }
    // Paths may be longer than a line; everything else is not.
    for line in text.lines().filter(|line| !line.contains('/')) {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

/// A sensor's record in bar is told in bar.
#[test]
fn amplitudes_have_the_unit_of_the_channel() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("pressure.csv");
    let mut text = String::from("time [s],pressure [bar]\n");
    for n in 0..2000 {
        let t = f64::from(n) / 2000.0;
        let hum = 0.5 * (std::f64::consts::TAU * 50.0 * t).cos();
        let rest = 1e-3 * (1e5 * t * t).sin();
        text.push_str(&format!("{t:.6},{:.9}\n", 2.0 + hum + rest));
    }
    fs::write(&record, text).unwrap();
    let target = folder.path().join("clean.csv");
    let paths = [&record, &target].map(|path| path.to_str().unwrap());
    let result = run(&["separate", paths[0], "-o", paths[1]]);
    let told = String::from_utf8(result.stdout).unwrap();
    let line = |label: &str| {
        let found = told.lines().find(|line| line.starts_with(label));
        found.unwrap_or_else(|| panic!("{told}")).to_owned()
    };
    assert!(line("removed mains, RMS").contains(" bar"), "{told}");
    assert!(line("hum left, RMS").contains(" bar"), "{told}");
    assert!(line("mains frequency").contains(" Hz"), "{told}");
}

/// Two references, each with its own part of the hum.
#[test]
fn several_references_are_named_in_a_list() {
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("three.csv");
    let mut table = String::from("Time (s),probe (V),gnd (V),shield (V)\n");
    let noise = |i: usize| ((i * 7919) % 1009) as f64 / 1009.0 - 0.5;
    for i in 0..6000usize {
        let turn = 2.0 * std::f64::consts::PI * 50.0 * i as f64 / 5000.0;
        let gnd = turn.cos() + 0.3 * noise(i);
        let shield = 0.7 * (3.0 * turn + 1.0).cos() + 0.3 * noise(31 * i + 7);
        let probe = 0.5 * gnd - 0.25 * shield + 1e-3 * noise(17 * i + 3);
        table.push_str(&format!("{},{probe},{gnd},{shield}\n", i as f64 / 5000.0));
    }
    fs::write(&input, table).unwrap();
    let (input, output) = (input.to_str().unwrap(), folder.path().join("clean.csv"));
    let base = ["separate", input, "-o", output.to_str().unwrap(), "--force"];
    for list in [
        &["--reference", "2,3"][..],
        &["--reference", "gnd", "--reference", "shield"],
    ] {
        let result = run(&[&base[..], &["--format", "jsonl"], list].concat());
        let told = String::from_utf8_lossy(&result.stderr).into_owned();
        assert_eq!(result.status.code(), Some(0), "{told}");
        let line: Value = serde_json::from_slice(&result.stdout).unwrap();
        assert_eq!(line["method"], "reference");
        let found = line["matched"]["references"].as_array().unwrap();
        for (one, (name, gain)) in found.iter().zip([("gnd", 0.5), ("shield", -0.25)]) {
            assert_eq!(one["channel"], name);
            approx::assert_abs_diff_eq!(number(&one["gain"]), gain, epsilon = 2e-3);
        }
        assert_eq!(found.len(), 2);
    }
    let text = run(&[&base[..], &["--reference", "gnd, shield"]].concat());
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(
        text.contains("multiple coherence") && text.contains("shield with gain"),
        "{text}"
    );
    for (wrong, status, told) in [
        ("2,2", 2, "named twice"),
        ("2,fourth", 3, "no channel 'fourth'"),
    ] {
        let result = run(&[&base[..], &["--reference", wrong]].concat());
        assert_eq!(result.status.code(), Some(status), "{wrong}");
        let said = String::from_utf8_lossy(&result.stderr).into_owned();
        assert!(said.contains(told), "{said}");
    }
}

//! `--picture`: a file of its own, complete or absent, and what is drawn in it.

use crate::program::humsieve;
use std::fs;
use std::path::Path;
use std::process::Output;

const FLOOR: &str = "data/demo/baseline_1.csv";
const LOOPED: &str = "data/demo/looped_1.csv";
const ISOLATED: &str = "data/demo/isolator_1.csv";

fn run(arguments: &[&str], picture: &Path) -> Output {
    let mut command = humsieve(arguments);
    command.arg("--picture").arg(picture);
    command.output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The picture that a run draws: well-formed as far as tags go, its words in it.
fn drawn(arguments: &[&str], words: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("picture.svg");
    let output = run(arguments, &picture);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(!output.stdout.is_empty());
    let svg = fs::read_to_string(&picture).unwrap();
    assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>\n"));
    assert_eq!(svg.matches("<svg ").count(), svg.matches("</svg>").count());
    for word in words.iter().chain(&["Intervals are at 95 % confidence"]) {
        assert!(svg.contains(word), "{arguments:?}: no {word}");
    }
    let left = fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(left, 1, "{arguments:?} leaves files behind");
    svg
}

#[test]
fn each_command_draws_what_it_found() {
    let words = [
        "looped_1.csv, channel Amplifier output",
        "Noise density",
        "noise density (V/√Hz)",
        "frequency (Hz)",
        "Waveform",
        "start (s)",
    ];
    let one = drawn(&["measure", LOOPED], &words);
    assert_eq!(one.matches(">Noise density<").count(), 1);
    let two = drawn(&["measure", LOOPED, FLOOR], &["baseline_1.csv, channel"]);
    assert_eq!(two.matches(">Noise density<").count(), 2);
    let arguments = ["compare", "--baseline", FLOOR, "--looped", LOOPED];
    let words = ["What the loop adds to the floor", "change (dB)"];
    drawn(&arguments, &words);
    let arguments = [&arguments[..], &["--isolated", ISOLATED]].concat();
    let words = [
        "What the remedy takes away",
        "lines that are no order",
        "Mains harmonics by condition",
    ];
    drawn(&arguments, &words);
}

#[test]
fn a_separation_is_drawn_before_and_after() {
    let folder = tempfile::tempdir().unwrap();
    let (picture, cleaned) = (folder.path().join("a.svg"), folder.path().join("a.csv"));
    let arguments = ["separate", "data/demo/weighing.csv", "-o"];
    let arguments = [&arguments[..], &[cleaned.to_str().unwrap()]].concat();
    let output = run(&arguments, &picture);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let svg = fs::read_to_string(&picture).unwrap();
    for words in [
        "Before and after",
        "Taken out",
        "Mains harmonics before and after",
        "Intervals are at 95 %",
    ] {
        assert!(svg.contains(words), "no {words}");
    }
    // The samples are those of a run without a picture.
    let plain = folder.path().join("b.csv");
    humsieve(&["separate", "data/demo/weighing.csv", "-o"])
        .arg(&plain)
        .output()
        .unwrap();
    assert_eq!(fs::read(&cleaned).unwrap(), fs::read(&plain).unwrap());
}

#[test]
fn what_cannot_be_drawn_is_refused_before_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |arguments: &[&str], picture: &str, word: &str| {
        let picture = folder.path().join(picture);
        let output = run(arguments, &picture);
        let told = told(&output);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        assert_eq!(told.lines().count(), 1, "{told}");
        assert!(told.contains(word), "{arguments:?}: {told}");
    };
    refused(&["measure", LOOPED], "a.png", "must end in .svg");
    refused(&["measure", "data/demo"], "a.svg", "up to 6 channels");
    refused(&["measure", LOOPED], "none/a.svg", "cannot be written");
    refused(&["measure", LOOPED, "--every", "0.2"], "a.svg", "--every");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_picture_that_is_an_input_needs_force() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("capture.svg");
    fs::copy(LOOPED, &capture).unwrap();
    let name = capture.to_str().unwrap();
    let refused = run(&["measure", name], &capture);
    assert_eq!(refused.status.code(), Some(2), "{}", told(&refused));
    assert!(told(&refused).contains("--force"));
    assert_eq!(fs::read(&capture).unwrap(), fs::read(LOOPED).unwrap());
    let forced = run(&["measure", name, "--force"], &capture);
    assert_eq!(forced.status.code(), Some(0), "{}", told(&forced));
    assert!(fs::read_to_string(&capture).unwrap().starts_with("<svg "));
}

#[test]
fn a_capture_from_standard_input_is_drawn_too() {
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("a.svg");
    let output = humsieve(&["measure", "-", "--picture"])
        .arg(&picture)
        .write_stdin(fs::read(LOOPED).unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(fs::read_to_string(&picture).unwrap().contains("Waveform"));
}

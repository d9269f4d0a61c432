//! Every file of `tests/data/malformed/` is refused with the right kind of error, in the right place.

use humsieve::ErrorKind;
use humsieve::load::{LoadOptions, explain, find_captures, load, open};
use serde_json::Value;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/malformed")
}

#[test]
fn every_bad_file_gives_its_error() {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_str(&text).unwrap();
    assert!(expected.len() >= 50, "{} files", expected.len());
    let mut faults = Vec::new();
    for entry in &expected {
        let file = entry["file"].as_str().unwrap();
        for general_only in [false, true] {
            let options = {
                let mut options = LoadOptions::default();
                options.sample_rate_hz = entry["options"]["sample_rate_hz"].as_f64();
                options.general_only = general_only;
                options
            };
            match load(folder().join(file), &options) {
                Ok(captures) => faults.push(format!(
                    "{file}: read as {:?}, warnings {:?}",
                    captures[0].header(),
                    captures[0].warnings()
                )),
                Err(error) => {
                    let line = entry["line"].as_u64();
                    let column = entry["column"].as_u64();
                    if error.kind().to_string() != entry["kind"].as_str().unwrap()
                        || (line.is_some() && error.line() != line)
                        || (column.is_some() && error.column() != column)
                    {
                        faults.push(format!("{} {entry}: {error}", error.kind()));
                    }
                    assert_eq!(error.file(), Some(folder().join(file).as_path()));
                    assert!(error.message().len() > 15, "{error}");
                }
            }
        }
    }
    faults.dedup();
    assert!(
        faults.is_empty(),
        "{} faults:\n{}",
        faults.len(),
        faults.join("\n")
    );
}

fn kind_of(path: &Path, options: &LoadOptions) -> ErrorKind {
    open(path, options).err().unwrap().kind()
}

#[test]
fn what_is_no_file_is_refused_politely() {
    let options = LoadOptions::default();
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(
        kind_of(&folder.path().join("absent.csv"), &options),
        ErrorKind::NotFound
    );
    assert_eq!(kind_of(folder.path(), &options), ErrorKind::Unreadable);
    assert_eq!(
        find_captures(&folder.path().join("absent"))
            .unwrap_err()
            .kind(),
        ErrorKind::NotFound
    );
}

#[cfg(unix)]
#[test]
fn links_in_loops_pipes_and_devices_are_passed_over() {
    use std::os::unix::fs::symlink;
    let folder = tempfile::tempdir().unwrap();
    let inner = folder.path().join("inner");
    std::fs::create_dir(&inner).unwrap();
    for name in ["b.csv", "a.TXT", "inner/c.wav", "inner/d.tsv", "e.dat"] {
        std::fs::write(folder.path().join(name), "x").unwrap();
    }
    symlink(folder.path(), inner.join("loop")).unwrap();
    symlink("self.csv", folder.path().join("self.csv")).unwrap();
    let pipe = folder.path().join("pipe.csv");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    let names: Vec<String> = find_captures(folder.path())
        .unwrap()
        .iter()
        .map(|p| p.strip_prefix(folder.path()).unwrap().display().to_string())
        .collect();
    assert_eq!(names, ["a.TXT", "b.csv", "inner/c.wav", "inner/d.tsv"]);
    let options = LoadOptions::default();
    if made.is_ok_and(|status| status.success()) {
        assert_eq!(kind_of(&pipe, &options), ErrorKind::Unreadable);
    }
    assert_eq!(
        kind_of(Path::new("/dev/null"), &options),
        ErrorKind::Unreadable
    );
    let looped = kind_of(&folder.path().join("self.csv"), &options);
    assert_eq!(looped, ErrorKind::Unreadable);
}

#[test]
fn options_out_of_range_are_refused() {
    let good = LoadOptions::default();
    for options in [
        good.clone().sample_rate_hz(0.0),
        good.clone().sample_rate_hz(f64::NAN),
        good.clone().full_scale_v(-1.0),
        good.clone().scale(0.0),
        good.scale(f64::INFINITY),
    ] {
        assert_eq!(
            kind_of(&folder().join("one_row.csv"), &options),
            ErrorKind::BadOption
        );
    }
}

#[test]
fn an_explanation_tells_what_was_read() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/captures/preamble_quoted_unit_cell.csv");
    let explanation = explain(&path, &LoadOptions::default()).unwrap();
    let text = explanation.to_string();
    for part in [
        "encoding      UTF-8, line ends LF",
        "delimiter none (one column), decimal mark '.'",
        "Sample Interval = 5.0E-04 s (sample_interval)",
        "header        line 5",
        "signal 'Values'",
        "2000 Hz (stated in the file",
        "64 frames from -0.008 s",
    ] {
        assert!(text.contains(part), "'{part}' is not in\n{text}");
    }
    let json = serde_json::to_value(&explanation).unwrap();
    assert_eq!(json["captures"][0]["frames"], 64);
    assert_eq!(json["columns"][0]["role"], "signal");
}

#[test]
fn a_second_record_in_a_long_file_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.csv");
    let padding = " ".repeat(1000);
    let mut text = String::from("time,volts\n");
    for row in 0..34_000 {
        text.push_str(&format!("{:.3},0.5{padding}\n", f64::from(row) * 1e-3));
    }
    text.push_str("time,volts\n0.000,0.5\n0.001,0.5\n");
    std::fs::write(&path, text).unwrap();
    let error = load(&path, &LoadOptions::default()).err().unwrap();
    assert_eq!(error.kind(), ErrorKind::UnevenSampling);
    assert_eq!(error.line(), Some(34_003));
    assert!(error.message().contains("more than 32 MiB"), "{error}");
}

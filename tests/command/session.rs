//! `humsieve session` and `humsieve report` as whole programs.

use crate::program::run;
use serde_json::Value;
use std::fs;

const SESSION: &str = "data/demo/session.toml";

#[test]
fn the_demo_is_reported_in_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let written = |name: &str| {
        let target = folder.path().join(name);
        let output = run(&["report", SESSION, "-o", target.to_str().unwrap()]);
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{told}");
        assert!(output.stdout.is_empty());
        fs::read_to_string(target).unwrap()
    };
    let page = written("report.html");
    assert!(page.contains("<svg") && page.contains("licensed person"));
    let text = written("report.md");
    assert!(text.contains("licensed person"));
    let plots: Vec<String> = fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".svg"))
        .collect();
    assert!(!plots.is_empty());
    for plot in plots {
        assert!(text.contains(&plot), "{plot} is not shown");
    }
    let report: Value = serde_json::from_str(&written("report.json")).unwrap();
    assert!(report.is_object());
}

#[test]
fn a_session_that_cannot_be_used_leaves_no_report() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("report.html");
    let path = target.to_str().unwrap();
    let bad = folder.path().join("bad.toml");
    fs::write(&bad, "titel = \"x\"\nharmonics = 0\n").unwrap();
    for session in ["no-such-session.toml", bad.to_str().unwrap()] {
        let output = run(&["report", session, "-o", path]);
        assert_eq!(output.status.code(), Some(2), "{session}");
        assert!(!output.stderr.is_empty());
        assert!(!target.exists());
    }
    let told = run(&["report", bad.to_str().unwrap(), "-o", path]).stderr;
    let told = String::from_utf8(told).unwrap();
    assert!(told.contains("titel") && told.contains("line 1"), "{told}");
    let output = run(&["report", SESSION, "-o", "report.docx"]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn a_missing_capture_is_told_and_the_rest_reported() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["baseline_1.csv", "looped_1.csv"] {
        let from = format!("{}/data/demo/{name}", env!("CARGO_MANIFEST_DIR"));
        fs::copy(from, folder.path().join(name)).unwrap();
    }
    let session = folder.path().join("session.toml");
    let capture = |file: &str, condition: &str| {
        format!("[[capture]]\nfile = \"{file}\"\ncondition = \"{condition}\"\n")
    };
    let text = format!(
        "title = \"Bench\"\n{}{}{}",
        capture("baseline_1.csv", "baseline"),
        capture("looped_1.csv", "looped"),
        capture("looped_2.csv", "looped")
    );
    fs::write(&session, text).unwrap();
    let target = folder.path().join("report.md");
    let output = run(&[
        "report",
        session.to_str().unwrap(),
        "-o",
        target.to_str().unwrap(),
    ]);
    assert_eq!(output.status.code(), Some(3));
    assert!(
        String::from_utf8(output.stderr)
            .unwrap()
            .contains("looped_2.csv")
    );
    let report = fs::read_to_string(target).unwrap().replace("\\_", "_");
    assert!(report.contains("looped_2.csv"));
}

#[test]
fn a_draft_names_what_is_to_be_filled_in() {
    let folder = tempfile::tempdir().unwrap();
    let draft = folder.path().join("session.toml");
    let output = run(&["session", "data/demo", "-o", draft.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stdout.is_empty());
    let text = fs::read_to_string(&draft).unwrap();
    assert!(text.contains("looped_1.csv") && text.contains("differential_1.csv"));

    let output = run(&["session", "data/demo"]);
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.contains("file = \"looped_1.csv\""), "{printed}");
    assert!(printed.contains("file = \"wav/looped.wav\""), "{printed}");
    let target = folder.path().join("report.html");
    let output = run(&[
        "report",
        draft.to_str().unwrap(),
        "-o",
        target.to_str().unwrap(),
    ]);
    let told = String::from_utf8(output.stderr).unwrap();
    let line = 1 + text
        .lines()
        .position(|l| l.starts_with("earth = "))
        .unwrap();
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(
        told.contains("not filled in yet") && told.contains(&format!("line {line}")),
        "{told}"
    );
    assert_eq!(printed.matches("[[capture]]").count(), 17);

    let output = run(&["session", "no-such-folder"]);
    assert_eq!(output.status.code(), Some(3));
}

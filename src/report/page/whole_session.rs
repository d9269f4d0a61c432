//! The report of a whole session: of the demo, and of one with a clipped, a missing and a mismatched
//! capture.
#![allow(clippy::unwrap_used)]

use crate::report::{Page, write_json};
use crate::session::{RunOptions, Session, SessionResult, run};
use std::fs;
use std::path::{Path, PathBuf};

/// The published package is without the demo; cargo leaves the manifest as it was written in it.
fn published() -> bool {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("Cargo.toml.orig")
        .exists()
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo")
}

fn result_of(folder: &Path, text: &str) -> SessionResult {
    let session = Session::parse(text, "session.toml").unwrap();
    run(&session, folder, &RunOptions::default()).unwrap()
}

fn demo_result() -> SessionResult {
    let text = fs::read_to_string(demo().join("session.toml")).unwrap();
    result_of(&demo(), &text)
}

fn json_of(result: &SessionResult) -> serde_json::Value {
    let mut out = Vec::new();
    write_json(result, &mut out).unwrap();
    serde_json::from_slice(&out).unwrap()
}

fn html_of(result: &SessionResult) -> String {
    let mut out = Vec::new();
    Page::new(result).write_html(&mut out).unwrap();
    String::from_utf8(out).unwrap()
}

/// The file against the JSON Schema kept beside the tests.
fn assert_valid(report: &serde_json::Value) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/schema/report.schema.json");
    let schema = serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let mistakes: Vec<String> = validator
        .iter_errors(report)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(mistakes.is_empty(), "{mistakes:#?}");
}

/// A session on copies of demo captures: one clipped, one missing, one at another rate and range.
fn troubled(folder: &Path) -> SessionResult {
    for name in ["baseline_1", "looped_1", "looped_2"] {
        let file = format!("{name}.csv");
        fs::copy(demo().join(&file), folder.join(&file)).unwrap();
    }
    let looped = fs::read_to_string(demo().join("looped_3.csv")).unwrap();
    let clipped: Vec<String> = looped
        .lines()
        .map(|line| match line.split_once(',') {
            Some((time, value)) => match value.parse::<f64>() {
                Ok(value) => format!("{time},{:.3}", value.clamp(4.0, 17.5)),
                Err(_) => line.to_owned(),
            },
            None => line.to_owned(),
        })
        .collect();
    fs::write(folder.join("looped_clipped.csv"), clipped.join("\n")).unwrap();
    let isolated = fs::read_to_string(demo().join("isolator_2.csv")).unwrap();
    let every_other: Vec<&str> = isolated
        .lines()
        .take(1)
        .chain(isolated.lines().skip(1).step_by(2))
        .collect();
    fs::write(
        folder.join("isolator_half_rate.csv"),
        every_other.join("\n"),
    )
    .unwrap();
    let capture = |file: &str, condition: &str, more: &str| {
        format!("[[capture]]\nfile = '{file}'\ncondition = '{condition}'\n{more}\n")
    };
    let text = [
        "[instrument]\nfull_scale_v = '51.2m'\n[[remedy]]\nname = 'isolator'\nbreaks = 'instrument'\n"
            .to_owned(),
        capture("baseline_1.csv", "baseline", ""),
        capture("looped_1.csv", "looped", ""),
        capture("looped_2.csv", "looped", ""),
        capture("looped_clipped.csv", "looped", "full_scale_v = '17.5m'"),
        capture("gone.csv", "looped", ""),
        capture("isolator_half_rate.csv", "isolated", "full_scale_v = 1"),
    ]
    .concat();
    result_of(folder, &text)
}

#[test]
fn the_demo_session_agrees_with_its_true_values() {
    if published() {
        return;
    }
    let result = demo_result();
    let truth: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(demo().join("truth.json")).unwrap()).unwrap();
    let mean = |name: &str, quantity: &str| {
        let values: Vec<f64> = (1..=3)
            .map(|i| truth[format!("{name}_{i}.csv")][quantity].as_f64().unwrap())
            .collect();
        values.iter().sum::<f64>() / 3.0
    };
    let row = |heading: Option<&str>, quantity: &str| {
        result
            .rows
            .iter()
            .find(|row| {
                row.quantity == quantity
                    && row.remedy.as_deref() == heading
                    && row.condition != crate::Condition::Baseline
            })
            .unwrap()
    };
    for (heading, name) in [
        (None, "looped"),
        (Some("isolator in the computer link"), "isolator"),
        (Some("differential input"), "differential"),
    ] {
        for quantity in ["hum_rms", "dc_offset"] {
            let reading = row(heading, quantity).reading.unwrap();
            let expected = mean(name, quantity);
            assert!(
                reading.contains(expected),
                "{name} {quantity}: {reading:?} misses {expected}"
            );
        }
    }
    assert_eq!(result.limits_met(), Some(true));
    assert_eq!(result.remedies[0].name, "differential input");
    assert!(
        result.contradictions.is_empty(),
        "{:?}",
        result.contradictions
    );
    assert!(!result.capture_failed());
    let barrier = |item: &crate::analysis::Evidence| {
        item.kind == crate::analysis::EvidenceKind::CapacitiveBarrier
            && item.finding.contains("isolator in the computer link")
    };
    assert!(result.evidence.iter().any(barrier), "{:?}", result.evidence);
}

#[test]
fn the_json_report_keeps_to_its_schema() {
    if published() {
        return;
    }
    let report = json_of(&demo_result());
    assert_valid(&report);
    assert_eq!(report["captures"].as_array().unwrap().len(), 12);
    let folder = tempfile::tempdir().unwrap();
    assert_valid(&json_of(&troubled(folder.path())));
}

#[test]
fn a_report_that_breaks_the_schema_is_noticed() {
    if published() {
        return;
    }
    let mut report = json_of(&demo_result());
    report["summary"] = serde_json::json!([1, 2]);
    let outcome = std::panic::catch_unwind(|| assert_valid(&report));
    assert!(outcome.is_err());
}

#[test]
fn clipped_missing_and_mismatched_captures_are_told_and_the_rest_is_complete() {
    if published() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let result = troubled(folder.path());
    assert!(result.capture_failed());
    let told = |file: Option<&str>, code: &str| {
        result
            .troubles
            .iter()
            .any(|trouble| trouble.file.as_deref() == file && trouble.code == code)
    };
    assert!(told(Some("gone.csv"), "not_found"), "{:?}", result.troubles);
    assert!(
        told(Some("looped_clipped.csv"), "clipped"),
        "{:?}",
        result.troubles
    );
    assert!(told(None, "rate_mismatch"), "{:?}", result.troubles);
    assert!(told(None, "range_mismatch"), "{:?}", result.troubles);
    assert_eq!(result.remedies.len(), 1);
    let hum = result.remedies[0].quantity("hum_rms").unwrap();
    assert_eq!(hum.verdict, crate::Verdict::Improved);
    assert!(result.remedies[0].claim_db("hum_rms").unwrap() > 40.0);
    let html = html_of(&result);
    for words in [
        "gone.csv",
        "not used",
        "rate_mismatch",
        "What each remedy did",
        "noise_density",
    ] {
        assert!(html.contains(words), "{words}");
    }
}

#[test]
fn a_session_of_one_capture_gives_a_smaller_report() {
    if published() {
        return;
    }
    let text =
        "[limits]\nhum_rms = '1m'\n[[capture]]\nfile = 'looped_1.csv'\ncondition = 'looped'\n";
    let result = result_of(&demo(), text);
    assert_eq!(result.loop_comparison, None);
    assert_eq!(result.limits_met(), Some(false));
    assert_valid(&json_of(&result));
    assert!(html_of(&result).contains("FAIL"));
    let nothing = "[[capture]]\nfile = 'gone.csv'\ncondition = 'looped'\n";
    let result = result_of(&demo(), nothing);
    assert_valid(&json_of(&result));
    assert!(html_of(&result).contains("No capture could be measured"));
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    if published() {
        return;
    }
    let text = fs::read_to_string(demo().join("session.toml")).unwrap();
    let session = Session::parse(&text, "session.toml").unwrap();
    let with = |jobs| {
        let options = RunOptions {
            jobs: Some(jobs),
            ..RunOptions::default()
        };
        json_of(&run(&session, &demo(), &options).unwrap())
    };
    assert_eq!(with(1), with(3));
    let none = RunOptions {
        jobs: Some(0),
        ..RunOptions::default()
    };
    assert!(run(&session, &demo(), &none).is_err());
}

#[test]
fn the_markdown_links_its_plots() {
    if published() {
        return;
    }
    let page = Page::new(&demo_result());
    let mut out = Vec::new();
    page.write_markdown("report_", &mut out).unwrap();
    let text = String::from_utf8(out).unwrap();
    for plot in page.plots() {
        assert!(
            text.contains(&format!("](<report_{}.svg>)", plot.name)),
            "{}",
            plot.name
        );
    }
    assert!(text.contains("| Isolated: differential input | Hum, RMS |"));
}

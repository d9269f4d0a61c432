//! Arguments of the command: what cannot be used gives status 2 and one line that says what would do.

use crate::program::humsieve;

/// Status 2, nothing on standard output, one line on standard error that holds every word.
fn refused(arguments: &[&str], words: &[&str]) {
    let output = humsieve(arguments).output().unwrap();
    let told = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
    assert!(output.stdout.is_empty(), "{arguments:?}");
    assert_eq!(told.lines().count(), 1, "{arguments:?}: {told}");
    for word in words {
        assert!(told.contains(word), "{arguments:?}: {word} not in {told}");
    }
}

#[test]
fn values_out_of_range_are_told_with_what_would_do() {
    let whole = "a whole number of at least 1";
    let positive = "positive and finite";
    let between = "strictly between 0 and 1";
    let band = "0 <= LOW < HIGH";
    let scale = "finite and not 0";
    for (option, values, wanted) in [
        ("--harmonics", vec!["0", "-1", "1.5", "many"], whole),
        ("--jobs", vec!["0", "-2", "x"], whole),
        (
            "--confidence",
            vec!["0", "1", "-0.5", "95", "nan", "x"],
            between,
        ),
        ("--scale", vec!["0", "inf", "nan", "-0"], scale),
        ("--full-scale", vec!["0", "-1", "inf", "nan"], positive),
        ("--sample-rate", vec!["0", "-48k", "inf", "nan"], positive),
        ("--every", vec!["0", "-60", "inf", "nan"], positive),
        (
            "--mains",
            vec!["0", "-50", "inf", "nan", "sixty"],
            "auto or a positive frequency",
        ),
        (
            "--band",
            vec!["5:5", "20k:10", "-1:5", "10", "a:b", "0:inf", ":"],
            band,
        ),
    ] {
        for value in values {
            refused(
                &["measure", "x.csv", option, value],
                &[option, value, wanted],
            );
            let attached = format!("{option}={value}");
            refused(&["measure", "x.csv", &attached], &[option, wanted]);
        }
    }
}

#[test]
fn limits_name_a_known_quantity() {
    for limit in [
        "loudness=1",
        "hum=1",
        "harmonic_0_rms=1",
        "harmonic_x_rms=1",
    ] {
        refused(
            &["measure", "x.csv", "--limit", limit],
            &["known are", "hum_rms"],
        );
    }
    refused(
        &["measure", "x.csv", "--limit", "hum_rms"],
        &["QUANTITY=VALUE"],
    );
    refused(
        &["measure", "x.csv", "--limit", "hum_rms=abc"],
        &["no number"],
    );
    refused(
        &["measure", "x.csv", "--limit", "hum_rms=-1u"],
        &["not negative"],
    );
    refused(&["measure", "x.csv", "--limit", "hum_rms=inf"], &["finite"]);
}

#[test]
fn unknown_words_are_told() {
    refused(
        &["measure", "x.csv", "--format", "xml"],
        &["xml", "text", "jsonl", "csv", "markdown"],
    );
    refused(
        &["measure", "x.csv", "--coupling", "both"],
        &["both", "dc", "ac"],
    );
    refused(&["measure", "x.csv", "--loudness"], &["--loudness"]);
    refused(&["weigh", "x.csv"], &["weigh"]);
    refused(
        &["measure", "x.csv", "--confidence"],
        &["--confidence", "value"],
    );
}

#[test]
fn something_to_work_on_must_be_named() {
    refused(&["measure"], &["no capture is named"]);
    refused(
        &["measure", "--files-from", "no-such-list"],
        &["no-such-list"],
    );
    refused(&["measure", "-", "-"], &["only once"]);
    refused(&["measure", "-", "--files-from", "-"], &["only once"]);
    refused(
        &["compare", "--baseline", "a.csv"],
        &["--baseline", "--looped", "--isolated"],
    );
    refused(
        &["compare", "--baseline", "-", "--looped", "-"],
        &["only once"],
    );
    refused(&["separate"], &["CAPTURE"]);
    refused(&["separate", "a.csv"], &["--output"]);
    refused(&["plan"], &["--resolve"]);
    refused(&["plan", "--resolve", "0"], &["positive"]);
    refused(&["plan", "--resolve", "1m", "--bits", "99"], &["1 to 32"]);
}

#[test]
fn an_empty_list_of_captures_is_told() {
    let list = tempfile::NamedTempFile::new().unwrap();
    let path = list.path().to_str().unwrap();
    refused(
        &["measure", "--files-from", path],
        &["no capture is named in"],
    );
}

#[test]
fn nothing_at_all_shows_the_help() {
    let output = humsieve(&[]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    assert!(String::from_utf8(output.stderr).unwrap().contains("Usage"));
}

#[test]
fn help_and_version_are_results() {
    for arguments in [
        vec!["--help"],
        vec!["--version"],
        vec!["measure", "--help"],
        vec!["compare", "--help"],
        vec!["separate", "--help"],
        vec!["report", "--help"],
        vec!["session", "--help"],
        vec!["plan", "--help"],
    ] {
        let output = humsieve(&arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        assert!(output.stderr.is_empty(), "{arguments:?}");
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{arguments:?} is wider than 80 columns:\n{text}"
        );
    }
}

#[test]
fn a_plan_says_record_rate_and_range() {
    let output = humsieve(&["plan", "--resolve", "100u", "--mains", "60"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    for word in ["60 Hz", "record", "rate", "range"] {
        assert!(text.contains(word), "{text}");
    }
    let output = humsieve(&["plan", "--resolve", "100u", "--format", "jsonl"])
        .output()
        .unwrap();
    let plan: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(plan["resolve_v"], 1e-4);
    assert!(plan["record_s"].as_f64().unwrap() > 0.0);
}

#[test]
fn completions_and_manual_come_from_the_command() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let output = humsieve(&["completions", shell]).output().unwrap();
        assert_eq!(output.status.code(), Some(0));
        let script = String::from_utf8(output.stdout).unwrap();
        assert!(script.contains("files-from"), "{shell}");
    }
}

#[test]
fn each_command_has_a_manual_page_of_its_own() {
    let page = |arguments: &[&str]| {
        let output = humsieve(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        let page = String::from_utf8(output.stdout).unwrap();
        assert_eq!(page.matches(".TH ").count(), 1, "{page}");
        assert_eq!(page.matches(".SH NAME").count(), 1, "{page}");
        page
    };
    let program = page(&["manual"]);
    assert!(!program.contains("files\\-from"), "{program}");
    for (command, option) in [
        ("measure", "files\\-from"),
        ("compare", "baseline"),
        ("separate", "template"),
        ("report", "output"),
        ("session", "FOLDER"),
        ("plan", "resolve"),
    ] {
        assert!(
            program.contains(&format!("humsieve\\-{command}")),
            "{program}"
        );
        assert!(page(&["manual", command]).contains(option), "{command}");
    }
    let output = humsieve(&["manual", "brew"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
}

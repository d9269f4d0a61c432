//! The report in a browser: it fits every width, its pictures can be read, its print has pages. Run by `.ci/run` where
//! Chromium is at hand: `cargo test --test command -- --ignored browser`; with `UPDATE_README=1` it takes the README's picture.

use crate::program::run;
use serde_json::Value;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const PROBE: &str = include_str!("report_probe.js");
/// Letters of a picture, px at the narrowest width; those of the text are 16.
const SMALLEST_LETTER: f64 = 8.0;
/// Width and height of the README's picture.
const README_PICTURE: (u32, u32) = (1040, 1260);

/// Name, what it opens, the capture that it leaves and the share of the loop's that comes on top.
const REMEDIES: [(&str, &str, &str, f64); 6] = [
    (
        "isolator in the computer link",
        "instrument",
        "isolator",
        0.0,
    ),
    ("differential input", "lead", "differential", 0.0),
    (
        "isolation transformer in the signal line",
        "lead",
        "isolator",
        0.05,
    ),
    (
        "current-limiting resistor in the computer link",
        "instrument",
        "isolator",
        0.2,
    ),
    ("shorter ground lead", "nothing", "isolator", 0.6),
    ("other supply for the computer", "nothing", "isolator", 0.9),
];

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo")
}

fn chromium(folder: &Path, arguments: &[&str]) -> String {
    let profile = format!("--user-data-dir={}", folder.join("profile").display());
    let output = Command::new("chromium")
        .current_dir(folder)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
        ])
        .args(["--allow-file-access-from-files", profile.as_str()])
        .args(arguments)
        .output()
        .expect("chromium, as the distribution's package of that name installs it");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn address(file: &Path) -> String {
    format!("file://{}", file.display())
}

fn report(session: &Path, folder: &Path) {
    let page = folder.join("report.html");
    let output = run(&[
        "report",
        session.to_str().unwrap(),
        "-o",
        page.to_str().unwrap(),
    ]);
    assert!(page.exists(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// The demo's captures with a share of the closed loop's samples on top of each remedy's.
fn six_remedies(folder: &Path) -> PathBuf {
    let whole = fs::read_to_string(demo().join("session.toml")).unwrap();
    let (head, rest) = whole.split_once("[[remedy]]").unwrap();
    let tail = &rest[rest.find("[wanted]").unwrap()..];
    let mut text = head.to_owned();
    let mut captures = String::new();
    for condition in ["baseline", "looped"] {
        for number in 1..=3 {
            let file = format!("{condition}_{number}.csv");
            fs::copy(demo().join(&file), folder.join(&file)).unwrap();
            writeln!(
                captures,
                "[[capture]]\nfile = \"{file}\"\ncondition = \"{condition}\""
            )
            .unwrap();
        }
    }
    for (index, (name, breaks, left, share)) in REMEDIES.iter().enumerate() {
        writeln!(text, "[[remedy]]\nname = \"{name}\"\nbreaks = \"{breaks}\"").unwrap();
        for number in 1..=3 {
            let file = format!("remedy_{index}_{number}.csv");
            mix(
                *share,
                [left, "looped"].map(|of| format!("{of}_{number}.csv")),
                &folder.join(&file),
            );
            writeln!(
                captures,
                "[[capture]]\nfile = \"{file}\"\ncondition = \"isolated\"\nremedy = \"{name}\""
            )
            .unwrap();
        }
    }
    let signature = "[[signature]]\nrole = \"tested\"\nname = \"second shift\"\n[[signature]]\nrole = \"approved\"\n";
    let session = folder.join("session.toml");
    fs::write(
        &session,
        [&text, captures.as_str(), signature, tail].concat(),
    )
    .unwrap();
    session
}

fn mix(share: f64, files: [String; 2], target: &Path) {
    /// The converter's step of the demo, mV.
    const STEP: f64 = 0.025;
    let [left, looped] = files.map(|file| fs::read_to_string(demo().join(file)).unwrap());
    let mut text = format!("{}\n", left.lines().next().unwrap());
    for (left, looped) in left.lines().zip(looped.lines()).skip(1) {
        let (time, left) = left.split_once(',').unwrap();
        let (_, looped) = looped.split_once(',').unwrap();
        let value = |text: &str| text.parse::<f64>().unwrap();
        let mixed = (1.0 - share) * value(left) + share * value(looped);
        writeln!(text, "{time},{:.3}", (mixed / STEP).round() * STEP).unwrap();
    }
    fs::write(target, text).unwrap();
}

/// What the probe finds at each width.
fn probed(folder: &Path) -> Vec<Value> {
    let harness = folder.join("probe.html");
    fs::write(
        &harness,
        format!("<!doctype html><meta charset=\"utf-8\"><body><pre id=\"found\"></pre><script>{PROBE}</script>"),
    )
    .unwrap();
    let page = chromium(
        folder,
        &[
            "--window-size=1400,1600",
            "--virtual-time-budget=20000",
            "--dump-dom",
            &address(&harness),
        ],
    );
    let (_, found) = page.split_once("<pre id=\"found\">").unwrap();
    let (found, _) = found.split_once("</pre>").unwrap();
    let found = found
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&amp;", "&");
    serde_json::from_str(&found).unwrap_or_else(|error| panic!("{error}: {found}"))
}

fn words(value: &Value) -> Vec<&str> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_str().unwrap())
        .collect()
}

fn assert_fits(found: &[Value]) {
    let widths: Vec<f64> = found
        .iter()
        .map(|page| page["width"].as_f64().unwrap())
        .collect();
    assert!(
        [1280.0, 390.0, 687.0].iter().all(|w| widths.contains(w)),
        "{widths:?}"
    );
    for page in found {
        let width = page["width"].as_f64().unwrap();
        assert!(
            page["scroll"].as_f64().unwrap() <= width,
            "{width}: scrolls sideways"
        );
        assert!(
            words(&page["overflowing"]).is_empty(),
            "{width}: {}",
            page["overflowing"]
        );
        assert!(
            words(&page["parted"]).is_empty(),
            "{width}: {}",
            page["parted"]
        );
        let pictures = page["pictures"].as_array().unwrap();
        assert!(pictures.len() >= 8, "{width}: {} pictures", pictures.len());
        for picture in pictures {
            let name = picture["name"].as_str().unwrap();
            let place = |side: &str| picture[side].as_f64().unwrap();
            assert!(
                place("left") >= 0.0 && place("right") <= width,
                "{width}: {name} leaves the page"
            );
            assert!(
                place("smallest") >= SMALLEST_LETTER,
                "{width}: {name}: {}",
                place("smallest")
            );
            assert!(
                words(&picture["touching"]).is_empty(),
                "{width}: {name}: {}",
                picture["touching"]
            );
            assert!(
                words(&picture["outside"]).is_empty(),
                "{width}: {name}: {}",
                picture["outside"]
            );
        }
    }
}

/// Printed on a paper: every page but the last is numbered and filled to a good part.
fn assert_prints(folder: &Path, paper: &str) {
    let text = fs::read_to_string(folder.join("report.html")).unwrap();
    let sized = text.replacen(
        "</head>",
        &format!("<style>@page {{ size: {paper}; }}</style></head>"),
        1,
    );
    let page = folder.join(format!("{paper}.html"));
    fs::write(&page, sized).unwrap();
    let print = folder.join(format!("{paper}.pdf"));
    let to = format!("--print-to-pdf={}", print.display());
    chromium(folder, &[&to, "--no-pdf-header-footer", &address(&page)]);
    let pdf = fs::read(&print).unwrap();
    assert!(pdf.starts_with(b"%PDF"));
    let Ok(output) = Command::new("pdftotext")
        .args(["-layout".as_ref(), print.as_os_str(), "-".as_ref()])
        .output()
    else {
        return;
    };
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let pages: Vec<&str> = text.trim_end_matches('\u{c}').split('\u{c}').collect();
    assert!(
        (6..=30).contains(&pages.len()),
        "{paper}: {} pages",
        pages.len()
    );
    for (index, page) in pages.iter().enumerate() {
        let number = format!("Page {} of {}", index + 1, pages.len());
        assert!(page.contains(&number), "{paper}: no {number}:\n{page}");
        assert!(
            page.contains("Load-cell amplifier"),
            "{paper}: no running head:\n{page}"
        );
    }
}

#[test]
#[ignore = "needs Chromium"]
fn the_demo_can_be_read_at_every_width_and_in_print() {
    let folder = tempfile::tempdir().unwrap();
    report(&demo().join("session.toml"), folder.path());
    assert_fits(&probed(folder.path()));
    assert_prints(folder.path(), "A4");
    let target = demo().join("report.png");
    if std::env::var_os("UPDATE_README").is_some() {
        let (width, height) = README_PICTURE;
        let (to, size) = (
            format!("--screenshot={}", target.display()),
            format!("--window-size={width},{height}"),
        );
        let page = address(&folder.path().join("report.html"));
        chromium(folder.path(), &[&to, &size, &page]);
    }
    // Width and height stand at the head of a PNG (W3C PNG specification, 11.2.2 IHDR).
    let png = fs::read(target).unwrap();
    let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
    assert_eq!((number(16), number(20)), README_PICTURE);
}

#[test]
#[ignore = "needs Chromium"]
fn six_remedies_are_told_apart_in_every_picture() {
    let folder = tempfile::tempdir().unwrap();
    let session = six_remedies(folder.path());
    report(&session, folder.path());
    let found = probed(folder.path());
    assert_fits(&found);
    for picture in found[0]["pictures"].as_array().unwrap() {
        let colours = words(&picture["fills"]).len();
        let dashes = words(&picture["dashes"]).len();
        match picture["name"].as_str().unwrap() {
            // The baseline is dashed too; the loop is not.
            "waveforms" | "noise_density" => assert_eq!(dashes, 7, "{picture}"),
            "taken_away" | "improvement" => assert_eq!(colours, 6, "{picture}"),
            "harmonics" | "captures_in_order" | "scatter" => assert!(colours >= 8, "{picture}"),
            _ => {}
        }
    }
    assert_prints(folder.path(), "A4");
    assert_prints(folder.path(), "letter");
}

//! A crate outside this one, as somebody else would write it: built offline with the core alone and with each feature.

use std::fs;
use std::path::Path;
use std::process::Command;

const FEATURES: [&str; 6] = ["text", "wav", "files", "report", "parallel", "session"];

/// Measures, compares and separates captures in memory; with a feature it uses what that adds.
const PROGRAM: &str = r#"
use humsieve::capture::MemorySink;
use humsieve::separation::{SeparateOptions, separate};
use humsieve::{Capture, Condition, MeasureOptions, MemorySource, compare, measure};
use std::collections::BTreeMap;

fn capture(hum: f64) -> Capture {
    let samples: Vec<f64> = (0..2000)
        .map(|n| {
            let t = f64::from(n) / 2000.0;
            let noise = f64::from((n * 7919) % 1009) / 1009.0 - 0.5;
            hum * (std::f64::consts::TAU * 50.02 * t).cos() + 1e-5 * noise
        })
        .collect();
    Capture::from_samples("made", 2000.0, &samples).expect("a capture")
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let options = MeasureOptions::default().harmonics(10);
    let looped = measure(&mut MemorySource::new(&capture(2e-3)), &options)?;
    let hum = looped[0].mains.hum_rms.expect("fifty cycles");
    assert!((hum.value - 2e-3 / 2f64.sqrt()).abs() < 1e-6);

    let isolated = measure(&mut MemorySource::new(&capture(2e-5)), &options)?;
    let captures = BTreeMap::from([
        (Condition::Looped, looped.clone()),
        (Condition::Isolated, isolated),
    ]);
    let comparison = compare(&captures, &Default::default())?;
    let gain = comparison.quantity("hum_rms").and_then(|q| q.improvement_db).expect("both read");
    assert!(gain.low > 39.0 && gain.high.is_some_and(|high| high < 41.0));

    let mut clean = MemorySink::new();
    let separated = capture(2e-3);
    let told = separate(&mut MemorySource::new(&separated), None, &SeparateOptions::default(), &mut clean)?;
    assert!(told[0].residual_hum_rms.high < 1e-5);
    let left = measure(&mut MemorySource::new(&clean.into_capture()?), &options)?;
    assert!(!left[0].mains.detected);

    #[cfg(feature = "text")]
    {
        let table = "time (s),probe (V)\n0,1\n0.001,2\n0.002,1\n";
        let sources = humsieve::load::bytes("table", table.as_bytes(), &Default::default())?;
        assert_eq!(sources[0].header().channels[0].name, "probe");
    }
    #[cfg(all(feature = "wav", not(feature = "text")))]
    {
        let refused = humsieve::load::bytes("table", b"1\n2\n3\n", &Default::default()).err();
        assert!(refused.is_some_and(|e| e.message().contains("feature `text`")));
    }
    #[cfg(feature = "files")]
    {
        let mut sink = humsieve::separation::FileSink::new("clean.csv")?;
        separate(&mut MemorySource::new(&separated), None, &SeparateOptions::default(), &mut sink)?;
        assert!(std::fs::metadata("clean.csv")?.len() > 20_000);
    }
    #[cfg(feature = "report")]
    {
        let mut text = Vec::new();
        humsieve::report::write_comparison(&mut text, humsieve::report::Format::Text, &comparison, Default::default())?;
        assert!(String::from_utf8(text)?.contains("dB"));
    }
    #[cfg(feature = "session")]
    {
        let text = "title = 'Bench'\n[[capture]]\nfile = 'clean.csv'\ncondition = 'looped'";
        let session = humsieve::session::Session::parse(text, "session.toml")?;
        let result = humsieve::session::run(&session, ".".as_ref(), &Default::default())?;
        let mut page = Vec::new();
        humsieve::report::Page::new(&result).write_html(&mut page)?;
        assert!(!result.capture_failed() && page.len() > 10_000);
    }
    println!("works");
    Ok(())
}
"#;

/// The crate's manifest, which names this repository by its path.
fn manifest() -> String {
    let own: String = FEATURES
        .iter()
        .map(|feature| format!("{feature} = [\"humsieve/{feature}\"]\n"))
        .collect();
    let here = env!("CARGO_MANIFEST_DIR").replace('\\', "/");
    format!(
        "[package]\nname = \"outside\"\nversion = \"0.0.0\"\nedition = \"2024\"\n\n[features]\n{own}\n[dependencies]\n\
         humsieve = {{ path = \"{here}\", default-features = false }}\n\n[profile.dev]\ndebug = false\n\n\
         [workspace]\n"
    )
}

#[test]
#[ignore = "compiles the library seven times, some minutes"]
fn a_crate_outside_works_with_the_core_and_with_each_feature() {
    let folder = tempfile::tempdir().unwrap();
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    fs::create_dir(folder.path().join("src")).unwrap();
    fs::write(folder.path().join("Cargo.toml"), manifest()).unwrap();
    fs::write(folder.path().join("src/main.rs"), PROGRAM).unwrap();
    // The versions that this repository was tested with.
    fs::copy(here.join("Cargo.lock"), folder.path().join("Cargo.lock")).unwrap();
    for features in std::iter::once("").chain(FEATURES) {
        let output = Command::new(env!("CARGO"))
            .current_dir(folder.path())
            .env("CARGO_TARGET_DIR", folder.path().join("target"))
            .args(["run", "--offline", "--quiet", "--features", features])
            .output()
            .unwrap();
        assert!(
            output.status.success() && output.stdout == b"works\n",
            "with `{features}`: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
}

//! Results as JSON read back: to equal bits, and refused where they are of a later version.

use crate::draws::{Draws, Truth};
use crate::synthesis::{Colour, Scenario};
use humsieve::Estimate;
use humsieve::analysis::{Detail, LinePower};
use humsieve::capture::{Acquisition, Coupling};
use humsieve::comparison::{CompareOptions, Comparison, compare};
use humsieve::report::{Format, MeasuredCapture, MeasurementWriter};
use humsieve::results::{self, SCHEMA};
use humsieve::{Capture, Condition, ErrorKind, MeasureOptions, Measurement, MemorySource, measure};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::fmt::Debug;
use std::io::Write;

/// Equal bits: Rust's debug form of a number is the shortest that reads back to it, sign of zero included.
fn same<T: Debug>(a: &T, b: &T) {
    assert_eq!(format!("{a:?}"), format!("{b:?}"));
}

fn again<T: serde::Serialize + serde::de::DeserializeOwned>(value: &T) -> T {
    serde_json::from_str(&serde_json::to_string(value).unwrap()).unwrap()
}

fn number() -> impl Strategy<Value = f64> {
    any::<f64>().prop_filter("a number", |x| x.is_finite())
}

fn unbounded(end: f64) -> impl Strategy<Value = f64> {
    prop_oneof![4 => number(), 1 => Just(end)]
}

proptest! {
    #[test]
    fn an_estimate_reads_back(
        value in number(),
        low in unbounded(f64::NEG_INFINITY),
        high in unbounded(f64::INFINITY),
        uncertainty in number(),
        dof in unbounded(f64::INFINITY),
    ) {
        let ends = (low.min(value), high.max(value));
        let estimate = Estimate::new(value, ends, uncertainty, dof, 0.95);
        same(&again(&estimate), &estimate);
    }

    #[test]
    fn the_power_of_a_line_reads_back(
        observed in number(), noise in number(), components in number(), dof in unbounded(f64::INFINITY),
    ) {
        let power = LinePower::new(observed, noise, components, dof);
        same(&again(&power), &power);
    }

    /// Drawn captures of every kind, and the comparison made of them.
    #[test]
    fn a_comparison_of_what_was_read_back_is_the_same(
        seed in any::<u64>(), hum in 0.0..9.0_f64, noise in 1e-9..2.0_f64, counts in (0..4_usize, 1..4_usize, 1..4_usize),
    ) {
        let mut draws = Draws::seeded(seed);
        let looped = Truth { spread: 0.1, ..Truth::new(hum, &[hum, 0.1 * hum], noise) };
        let floor = Truth::new(0.0, &[0.0, 0.0], noise);
        let captures: BTreeMap<Condition, Vec<Measurement>> = [
            (Condition::Baseline, floor.captures(counts.0, &mut draws)),
            (Condition::Looped, looped.captures(counts.1, &mut draws)),
            (Condition::Isolated, looped.reduced(30.0).captures(counts.2, &mut draws)),
        ]
        .into_iter()
        .filter(|(_, captures)| !captures.is_empty())
        .collect();
        let read: BTreeMap<Condition, Vec<Measurement>> =
            captures.iter().map(|(&c, list)| (c, list.iter().map(again).collect())).collect();
        same(&read, &captures);
        let options = CompareOptions::default().limits(["hum_rms=1".parse().unwrap()]);
        let comparison = compare(&captures, &options).unwrap();
        same(&compare(&read, &options).unwrap(), &comparison);
        let read: Comparison = again(&comparison);
        same(&read, &comparison);
    }
}

fn measured() -> Vec<Measurement> {
    let mut rng = ChaCha8Rng::seed_from_u64(51);
    let mut scenario = Scenario::new(50.03, 30.0, Colour::Pink { corner_hz: 300.0 });
    scenario.tones = vec![(1234.5, 0.01), (1134.44, 3e-3), (1334.56, 3e-3)];
    scenario.step = 1e-4;
    [
        scenario.clone(),
        Scenario {
            samples: 150,
            ..scenario
        },
    ]
    .iter()
    .flat_map(|scenario| {
        let samples = scenario.samples(&mut rng);
        let acquisition = Acquisition::default()
            .full_scale_v(0.3)
            .coupling(Coupling::Dc);
        let capture = Capture::from_samples("bench", scenario.rate_hz, &samples)
            .and_then(|capture| capture.taken_with(acquisition))
            .unwrap();
        let options = MeasureOptions::default()
            .detail(Detail::default().third_octaves(true).harmonic_groups(true));
        measure(&mut MemorySource::new(&capture), &options).unwrap()
    })
    .map(|mut m| {
        // told in pictures only, and not part of the line
        m.track = None;
        m
    })
    .collect()
}

fn lines(captures: &[MeasuredCapture]) -> String {
    let mut out = Vec::new();
    let mut writer = MeasurementWriter::new(&mut out, Format::Jsonl, 0.95, 40);
    for capture in captures {
        writer.write(capture).unwrap();
    }
    writer.finish().unwrap();
    String::from_utf8(out).unwrap()
}

fn file(text: &str) -> tempfile::TempPath {
    let mut file = tempfile::Builder::new()
        .suffix(".jsonl")
        .tempfile()
        .unwrap();
    file.write_all(text.as_bytes()).unwrap();
    file.into_temp_path()
}

#[test]
fn what_measure_wrote_is_read_to_the_last_bit() {
    let all = measured();
    assert!(!all[0].tones.is_empty() && !all[0].evidence.is_empty());
    let missing = ErrorKind::NoSampleRate.error("no rate");
    let captures = [
        MeasuredCapture::new("a", Ok(vec![all[0].clone().into()])),
        MeasuredCapture::new("b", Err(missing)),
        MeasuredCapture::new("c", Ok(vec![all[1].clone().into()])),
    ];
    let text = lines(&captures).replace('\n', "\n\n");
    assert!(
        text.lines()
            .all(|line| line.is_empty() || line.starts_with("{\"schema\":1,"))
    );
    let path = file(&text);
    let read = results::read(&path).unwrap();
    assert_eq!(read.len(), 3);
    same(&read[0].outcome.as_ref().unwrap()[0], &all[0]);
    same(&read[2].outcome.as_ref().unwrap()[0], &all[1]);
    let error = read[1].outcome.as_ref().unwrap_err();
    assert_eq!(
        (read[1].file.as_str(), error.kind()),
        ("b", ErrorKind::NoSampleRate)
    );
}

#[test]
fn later_lines_and_others_are_refused_with_the_reason() {
    let good = lines(&[MeasuredCapture::new(
        "a",
        Ok(vec![measured().remove(1).into()]),
    )]);
    let later = good.replacen("\"schema\":1", &format!("\"schema\":{}", SCHEMA + 1), 1);
    let none = good.replacen("\"schema\":1,", "", 1);
    let stretch = good.replacen("\"schema\":1,", "\"schema\":1,\"start_s\":3.0,", 1);
    for (text, kind, words) in [
        (
            good.clone() + &later,
            ErrorKind::UnsupportedFormat,
            "schema 2",
        ),
        (
            good.clone() + &none,
            ErrorKind::UnsupportedFormat,
            "no \"schema\"",
        ),
        (
            good.clone() + &stretch,
            ErrorKind::UnsupportedFormat,
            "--every",
        ),
        (
            good.clone() + "{\"schema\":1}\n",
            ErrorKind::BadValue,
            "missing field",
        ),
        (
            good.clone() + "Time,Volt\n",
            ErrorKind::BadValue,
            "no result",
        ),
    ] {
        let error = results::read(&file(&text)).unwrap_err();
        assert_eq!(error.kind(), kind, "{error}");
        let told = error.message_with_position();
        assert!(told.contains("line 2") && told.contains(words), "{told}");
    }
    assert_eq!(
        results::read(&file("\n")).unwrap_err().kind(),
        ErrorKind::NoSamples
    );
}

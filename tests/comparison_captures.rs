//! Comparisons of whole captures, from samples to verdicts.
#![allow(missing_docs)]
#![allow(clippy::unwrap_used)]

mod synthesis;

use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::comparison::{
    CaptureSource, CommonGround, CompareOptions, Comparison, Verdict, compare, compare_captures,
};
use humsieve::{Capture, Condition, Error, ErrorKind, MeasureOptions, Measurement};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use synthesis::{Colour, Scenario};

fn measured(scenario: &Scenario, options: &MeasureOptions, rng: &mut ChaCha8Rng) -> Measurement {
    let samples = scenario.samples(rng);
    let capture = Capture::from_samples("drawn", scenario.rate_hz, &samples).unwrap();
    measure(&mut MemorySource::new(&capture), options)
        .unwrap()
        .remove(0)
}

fn compared(looped: &Scenario, isolated: &Scenario, rng: &mut ChaCha8Rng) -> Comparison {
    let options = MeasureOptions {
        harmonics: 5,
        ..Default::default()
    };
    let pair = [
        (Condition::Looped, vec![measured(looped, &options, rng)]),
        (Condition::Isolated, vec![measured(isolated, &options, rng)]),
    ];
    compare(&BTreeMap::from(pair), &CompareOptions::default()).unwrap()
}

/// 120 tables: at a rate of 5 % more than 13 false ones come in 1 % of runs; at 20 % fewer than 14 in
/// 1 %.
#[test]
fn two_captures_of_one_process_are_told_apart_in_few_tables() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let scenario = Scenario::new(50.03, 25.0, Colour::White);
    let wrong = (0..120)
        .filter(|_| {
            let table = compared(&scenario, &scenario, &mut rng);
            let mut verdicts = table.quantities.iter().map(|q| q.verdict);
            verdicts.any(|v| v != Verdict::Unresolved)
        })
        .count();
    println!("{wrong} of 120");
    assert!(wrong <= 13, "{wrong} of 120 tables hold a false verdict");
}

/// 120 comparisons of 26 dB: at a coverage of 95 % fewer than 108 hold it in 0.6 % of runs; at 82 % as
/// many as 108 in 1 %.
#[test]
fn an_improvement_of_26_db_is_covered() {
    let mut rng = ChaCha8Rng::seed_from_u64(32);
    let looped = Scenario::new(50.03, 25.0, Colour::White);
    let mut isolated = looped.clone();
    isolated.offset /= 20.0;
    for (amplitude, _) in &mut isolated.harmonics {
        *amplitude /= 20.0;
    }
    let truth = 20.0 * 20.0_f64.log10();
    let mut covered = [0; 3];
    for _ in 0..120 {
        let table = compared(&looped, &isolated, &mut rng);
        for (count, name) in covered
            .iter_mut()
            .zip(["dc_offset", "hum_rms", "harmonic_1_rms"])
        {
            let quantity = table.quantity(name).unwrap();
            let ratio = quantity.improvement_db.unwrap();
            let held = ratio.low <= truth && ratio.high.is_none_or(|high| truth <= high);
            *count += i32::from(held);
            assert_ne!(quantity.verdict, Verdict::Unresolved, "{name}");
        }
    }
    println!("{covered:?} of 120");
    assert!(covered.iter().all(|&count| count >= 108), "{covered:?}");
}

#[test]
fn captures_of_unequal_rates_are_measured_again_on_common_ground() {
    let mut rng = ChaCha8Rng::seed_from_u64(33);
    let looped = Scenario::new(50.03, 25.0, Colour::White);
    let mut isolated = looped.clone();
    isolated.rate_hz = 4000.0;
    isolated.samples = 3000;
    let first = MeasureOptions::default();
    let apart = [
        measured(&looped, &first, &mut rng),
        measured(&isolated, &first, &mut rng),
    ];
    let ground = CommonGround::of(&apart).unwrap();
    assert!(!apart.iter().all(|m| ground.holds(m)));
    let again = ground.apply(&first);
    let pair = BTreeMap::from([
        (Condition::Looped, vec![measured(&looped, &again, &mut rng)]),
        (
            Condition::Isolated,
            vec![measured(&isolated, &again, &mut rng)],
        ),
    ]);
    assert!(
        pair.values().flatten().all(|m| ground.holds(m)),
        "{ground:?}"
    );
    let comparison = compare(&pair, &CompareOptions::default()).unwrap();
    assert!(comparison.band_hz.1 <= 2000.0);
    assert!(
        comparison
            .quantity("noise_rms")
            .unwrap()
            .improvement_db
            .is_some()
    );
}

fn drawn(scenario: &Scenario, rng: &mut ChaCha8Rng) -> Capture {
    Capture::from_samples("drawn", scenario.rate_hz, &scenario.samples(rng)).unwrap()
}

fn through(captures: &[(Condition, Capture)]) -> Comparison {
    let sources = captures
        .iter()
        .map(|(condition, capture)| CaptureSource::record(*condition, MemorySource::new(capture)))
        .collect();
    let compared = compare_captures(
        sources,
        &MeasureOptions::default(),
        &CompareOptions::default(),
    );
    assert!(compared.failed.is_empty());
    compared.comparison.unwrap()
}

/// A bench of one floor, loop and remedy that leaves the floor alone.
fn perfect_remedy(seed: u64) -> [(Condition, Capture); 3] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let nominal = if seed % 2 == 0 { 50.0 } else { 60.0 };
    let mains = nominal + 0.05 * ((seed % 7) as f64 - 3.0);
    let looped = Scenario::new(mains, 20.3 + (seed % 5) as f64, Colour::White);
    let mut floor = looped.clone();
    floor.harmonics.clear();
    floor.offset = 1e-3;
    [
        (Condition::Baseline, drawn(&floor, &mut rng)),
        (Condition::Looped, drawn(&looped, &mut rng)),
        (Condition::Isolated, drawn(&floor, &mut rng)),
    ]
}

fn at_floor(seeds: std::ops::Range<u64>) -> Vec<u64> {
    seeds
        .filter(|&seed| {
            let comparison = through(&perfect_remedy(seed));
            let hum = comparison.quantity("hum_rms").unwrap();
            if hum.verdict != Verdict::AtFloor {
                println!("{seed}: {hum:?}");
            }
            hum.verdict == Verdict::AtFloor
        })
        .collect()
}

/// A remedy that leaves nothing is said to have left nothing: no capture is lost for having no mains.
#[test]
fn perfect_remedies_come_out_at_the_floor() {
    assert_eq!(at_floor(0..12).len(), 12);
}

#[test]
#[ignore = "60 benches take a minute"]
fn sixty_perfect_remedies_come_out_at_the_floor() {
    assert_eq!(at_floor(0..60).len(), 60);
}

/// One capture that cannot be measured costs itself, and is told in figures and errors alike.
#[test]
fn a_capture_that_fails_is_told_and_left_out() {
    let captures = perfect_remedy(3);
    let mut sources: Vec<CaptureSource<'_>> = captures
        .iter()
        .map(|(condition, capture)| CaptureSource::record(*condition, MemorySource::new(capture)))
        .collect();
    sources.insert(
        1,
        CaptureSource::by(Condition::Looped, "torn.csv", |_| {
            Err(Error::new(ErrorKind::BadValue, "found 'x'"))
        }),
    );
    let compared = compare_captures(
        sources,
        &MeasureOptions::default(),
        &CompareOptions::default(),
    );
    assert_eq!(compared.failed.len(), 1);
    assert_eq!(compared.failed[0].0, 1);
    let comparison = compared.comparison.unwrap();
    assert_eq!(comparison.captures.looped, 1);
    let told = comparison.left_out.iter().filter(|l| l.file == "torn.csv");
    assert!(told.clone().any(|l| l.quantity == "hum_rms"));
    assert!(told.into_iter().all(|l| l.why.contains("found 'x'")));
}

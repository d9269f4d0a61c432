//! Comparisons of whole captures, from samples to verdicts.

use crate::synthesis::{Colour, Scenario};
use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::comparison::{
    CaptureSource, CommonGround, CompareOptions, ComparedLine, Comparison, Verdict, compare,
    compare_captures,
};
use humsieve::{Capture, Condition, ErrorKind, MeasureOptions, Measurement};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

fn measured(scenario: &Scenario, options: &MeasureOptions, rng: &mut ChaCha8Rng) -> Measurement {
    let samples = scenario.samples(rng);
    let capture = Capture::from_samples("drawn", scenario.rate_hz, &samples).unwrap();
    measure(&mut MemorySource::new(&capture), options)
        .unwrap()
        .remove(0)
}

fn compared(looped: &Scenario, isolated: &Scenario, rng: &mut ChaCha8Rng) -> Comparison {
    let options = MeasureOptions::default().harmonics(5);
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
    let nominal = if seed.is_multiple_of(2) { 50.0 } else { 60.0 };
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
            Err(ErrorKind::BadValue.error("found 'x'"))
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

fn line_at(comparison: &Comparison, hz: f64) -> &ComparedLine {
    let mut lines = comparison.lines.iter();
    lines
        .find(|line| (line.frequency_hz.value - hz).abs() < 1.0)
        .unwrap_or_else(|| panic!("no line at {hz} Hz: {:?}", comparison.lines))
}

/// A supply's line that the remedy takes away, one that it lowers by 20 dB, one that came with it and one
/// that stays; the orders are no lines.
#[test]
fn lines_that_are_no_order_are_compared() {
    let mut rng = ChaCha8Rng::seed_from_u64(61);
    let with = |tones: &[(f64, f64)]| Scenario {
        tones: tones.to_vec(),
        ..Scenario::new(50.03, 40.0, Colour::White)
    };
    let looped = with(&[(1233.7, 3e-3), (2111.3, 5e-3), (3333.1, 1.5e-3)]);
    let isolated = with(&[(2111.5, 5e-4), (3333.2, 1.5e-3), (777.7, 1e-3)]);
    let mut captures = Vec::new();
    for _ in 0..3 {
        captures.push((Condition::Baseline, drawn(&with(&[]), &mut rng)));
        captures.push((Condition::Looped, drawn(&looped, &mut rng)));
        captures.push((Condition::Isolated, drawn(&isolated, &mut rng)));
    }
    let comparison = through(&captures);
    let gone = &line_at(&comparison, 1233.7).quantity;
    assert_eq!(gone.verdict, Verdict::AtFloor, "{gone:?}");
    assert_eq!(gone.isolated.unwrap().low, 0.0);
    assert_eq!(gone.improvement_db.unwrap().high, None);
    assert!(gone.improvement_db.unwrap().low > 10.0);
    let lowered = &line_at(&comparison, 2111.4).quantity;
    assert_eq!(lowered.verdict, Verdict::Improved, "{lowered:?}");
    assert!((lowered.improvement_db.unwrap().value - 20.0).abs() < 1.5);
    let stays = &line_at(&comparison, 3333.1).quantity;
    assert_eq!(stays.verdict, Verdict::Unresolved, "{stays:?}");
    let new = line_at(&comparison, 777.7);
    assert!(new.is_new(), "{new:?}");
    // Each of nine captures shows a line that is not there once in a hundred: two in one of 270 runs. It claims nothing.
    let known = [1233.7, 2111.4, 3333.1, 777.7];
    let others: Vec<_> = comparison
        .lines
        .iter()
        .filter(|l| known.iter().all(|f| (l.frequency_hz.value - f).abs() > 1.0))
        .collect();
    assert!(others.len() <= 1, "{others:?}");
    assert!(
        others
            .iter()
            .all(|l| l.quantity.verdict == Verdict::Unresolved),
        "{others:?}"
    );
}

/// What a line is said to be below is what would have been found: of 60 lines at the bound at most 4 stay
/// unseen (of a true 2.5 % so many in 1.9 % of runs), and the bound is no idle one: at a third of it more
/// than half do.
#[test]
fn a_line_at_its_bound_would_have_been_found() {
    let mut rng = ChaCha8Rng::seed_from_u64(62);
    for colour in [Colour::White, Colour::OnePole { corner_hz: 400.0 }] {
        let quiet = Scenario::new(50.03, 30.0, colour);
        let noisy = Scenario {
            tones: vec![(1871.3, 0.02)],
            ..quiet.clone()
        };
        let comparison = through(&[
            (Condition::Looped, drawn(&noisy, &mut rng)),
            (Condition::Isolated, drawn(&quiet, &mut rng)),
        ]);
        let bound = line_at(&comparison, 1871.3).quantity.isolated.unwrap();
        assert_eq!((bound.low, bound.value), (0.0, 0.0));
        let mut unseen = |rms: f64| {
            let there = Scenario {
                tones: vec![(1871.3, rms * 2f64.sqrt())],
                ..quiet.clone()
            };
            (0..60)
                .filter(|_| {
                    let found = measured(&there, &MeasureOptions::default(), &mut rng);
                    let mut tones = found.tones.iter();
                    !tones.any(|tone| (tone.frequency_hz.value - 1871.3).abs() < 2.0)
                })
                .count()
        };
        let (at, below) = (unseen(bound.high), unseen(bound.high / 3.0));
        println!("{colour:?}: {at} of 60 unseen at the bound, {below} at a third of it");
        assert!(at <= 4, "{at} of 60 lines at the bound are not seen");
        assert!(below > 30, "{below}");
    }
}

/// 150 pairs of single captures, a fraction more than whole cycles each: at a coverage of 95 % fewer than
/// 135 hold it in 0.4 % of runs, at 85 % as many in 5 %.
#[test]
fn the_ac_rms_of_single_captures_is_covered() {
    let mut rng = ChaCha8Rng::seed_from_u64(63);
    let mut covered = 0;
    for trial in 0..150 {
        let cycles = 4.0 + 0.13 * f64::from(trial);
        let looped = Scenario::new(50.03, cycles, Colour::White);
        let mut isolated = looped.clone();
        for (amplitude, _) in &mut isolated.harmonics {
            *amplitude /= 7.0;
        }
        let ac = |s: &Scenario| s.hum_rms().hypot(s.noise);
        let truth = 20.0 * (ac(&looped) / ac(&isolated)).log10();
        let table = through(&[
            (Condition::Looped, drawn(&looped, &mut rng)),
            (Condition::Isolated, drawn(&isolated, &mut rng)),
        ]);
        let ratio = table.quantity("ac_rms").unwrap().improvement_db.unwrap();
        covered += i32::from(ratio.low <= truth && ratio.high.is_none_or(|high| truth <= high));
    }
    println!("{covered} of 150");
    assert!(covered >= 135, "{covered} of 150");
}

//! The cause told from physical models: rightly or not at all.

use crate::physical::{Bench, Model};
use humsieve::analysis::Evidence;
use humsieve::analysis::EvidenceKind::{self, *};
use humsieve::comparison::{
    CaptureSource, CompareOptions, ComparedCaptures, compare, compare_captures,
};
use humsieve::{Capture, Condition, MeasureOptions, MemorySource};
use std::fmt::Write;

/// Benches of each model.
const SEEDS: u64 = 20;
/// Of twenty benches this many at least must be told rightly or not at all.
const SOUND: usize = 19;

/// A model, what it should be told as (any of these), and what is true of it besides.
const CASES: [(Model, &[EvidenceKind], &[EvidenceKind]); 12] = [
    (
        Model::ResistiveLoop,
        &[ResistivePath],
        &[Conducted, GroundOffset, Connection],
    ),
    (Model::InducedLoop, &[Conducted, Induced], &[Connection]),
    (
        Model::CapacitiveBarrier,
        &[CapacitiveBarrier],
        &[Conducted, GroundOffset, Connection],
    ),
    (Model::StrayField, &[PickUp], &[Induced, Connection]),
    (
        Model::RectifierRipple,
        &[Rectifier],
        &[Conducted, ResistivePath, Connection],
    ),
    (
        Model::PhaseCutLoad,
        &[PhaseCut],
        &[Conducted, ResistivePath, Connection],
    ),
    (
        Model::SwitchingSupply,
        &[SwitchingSupply],
        &[Conducted, ResistivePath, Connection],
    ),
    (Model::Motor, &[Motor], &[]),
    (Model::OwnHum, &[], &[]),
    (Model::NoiseAlone, &[], &[]),
    (Model::WantedTone, &[], &[]),
    (Model::Speech, &[], &[]),
];

fn compared(bench: &Bench, conditions: &[Condition], seed: u64) -> ComparedCaptures {
    let mut captures = Vec::new();
    for &condition in conditions {
        for number in 0..bench.repeats {
            let samples = bench.capture(condition, number, seed);
            let name = format!("{condition} {number}");
            let capture = Capture::from_samples(name, bench.rate_hz, &samples).unwrap();
            captures.push((condition, capture));
        }
    }
    let sources = captures
        .iter()
        .map(|(condition, capture)| CaptureSource::record(*condition, MemorySource::new(capture)));
    compare_captures(
        sources.collect(),
        &MeasureOptions::default(),
        &CompareOptions::default(),
    )
}

/// Everything that the comparison of a bench says of a cause, and each of its captures alone: kind and finding.
fn told(model: Model, seed: u64) -> Vec<(EvidenceKind, String)> {
    let compared = compared(&Bench::drawn(model, seed), &Condition::ALL, seed);
    let comparison = compared.comparison.unwrap();
    let alone = compared.measurements.values().flatten();
    let alone = alone.flat_map(|m| m.evidence.iter().map(|item| (item, m.file.as_str())));
    let together = comparison.evidence.iter().map(|item| (item, "compared"));
    together
        .chain(alone)
        .map(|(item, by)| {
            let complete = !item.numbers.is_empty()
                && !item.alternatives.is_empty()
                && !item.next_step.is_empty();
            assert!(complete, "{item:?}");
            (item.kind, format!("{seed}, {by}: {}", item.finding))
        })
        .collect()
}

#[test]
fn physical_models_are_told_rightly_or_not_at_all() {
    let mut table = format!("{:<18} right silent wrong\n", "model");
    let mut remarks = String::new();
    let mut unsound = Vec::new();
    for (model, aims, besides) in CASES {
        let (mut right, mut silent, mut wrong) = (0, 0, 0);
        for seed in 0..SEEDS {
            let told = told(model, seed);
            let mut false_ones = told
                .iter()
                .filter(|(kind, _)| !aims.contains(kind) && !besides.contains(kind));
            if let Some((kind, finding)) = false_ones.next() {
                wrong += 1;
                writeln!(remarks, "{model:?} is told as {kind:?}: {finding}").unwrap();
            } else if told.iter().any(|(kind, _)| aims.contains(kind)) {
                right += 1;
            } else {
                silent += 1;
            }
        }
        let name = format!("{model:?}");
        writeln!(table, "{name:<18} {right:>5} {silent:>6} {wrong:>5}").unwrap();
        if right + silent < SOUND {
            unsound.push(model);
        }
    }
    println!("{table}\n{remarks}");
    assert!(unsound.is_empty(), "{unsound:?}\n{table}\n{remarks}");
}

/// Floor and loop alone tell that hum came in, not by which way; the other way round they tell nothing.
#[test]
fn without_an_opened_loop_no_way_is_told() {
    let conditions = [Condition::Baseline, Condition::Looped];
    for seed in 0..5 {
        let bench = Bench::drawn(Model::ResistiveLoop, seed);
        let compared = compared(&bench, &conditions, seed);
        let evidence = compared.comparison.unwrap().evidence;
        let kinds: Vec<EvidenceKind> = evidence.iter().map(|item| item.kind).collect();
        assert_eq!(kinds, [Connection], "{evidence:?}");

        let [baseline, looped] = conditions.map(|c| compared.measurements[&c].clone());
        let swapped = [(Condition::Baseline, looped), (Condition::Looped, baseline)];
        let swapped = compare(&swapped.into(), &CompareOptions::default()).unwrap();
        assert_eq!(swapped.evidence, []);
    }
}

/// What the remedy lets through of each order is read off with an interval that holds the circuit's own slope: none for a
/// resistor, 20 lg 2 per doubling for a capacitance. At 95 % more than 5 of 40 miss once in 70 runs.
#[test]
fn the_slope_of_what_comes_through_is_the_circuits() {
    let mut misses = Vec::new();
    let mut read = 0;
    for (model, slope) in [
        (Model::ResistiveLoop, 0.0),
        (Model::CapacitiveBarrier, 6.0206),
    ] {
        for seed in 20..40 {
            let compared = compared(&Bench::drawn(model, seed), &Condition::ALL, seed);
            let evidence = compared.comparison.unwrap().evidence;
            let end = |item: &Evidence, end: &str| item.numbers.get(end).copied();
            let found = evidence.iter().find_map(|item| {
                let low = end(item, "slope_low_db_per_doubling")?;
                Some((low, end(item, "slope_high_db_per_doubling")?))
            });
            if let Some((low, high)) = found {
                read += 1;
                if !(low..=high).contains(&slope) {
                    misses.push((model, seed, low, high));
                }
            }
        }
    }
    assert!(read >= 20, "{read} of 40 are read: too few to tell");
    assert!(misses.len() <= 5, "{misses:?}");
}

//! Seeded simulation of whole comparisons: false verdicts, coverage, claims at the floor.

use crate::draws::{Draws, Truth};
use humsieve::Condition;
use humsieve::comparison::{
    CompareOptions, ComparedQuantity, Comparison, DecibelRatio, Verdict, compare,
};
use std::collections::BTreeMap;

const LINES: [f64; 3] = [1.0, 0.02, 0.4];

/// Captures of each condition by its truth; 0 leaves it out.
fn compared(conditions: [(&Truth, usize); 3], draws: &mut Draws) -> Comparison {
    let names = [Condition::Baseline, Condition::Looped, Condition::Isolated];
    let measurements: BTreeMap<_, _> = names
        .into_iter()
        .zip(conditions)
        .filter(|(_, (_, count))| *count > 0)
        .map(|(name, (truth, count))| (name, truth.captures(count, draws)))
        .collect();
    compare(&measurements, &CompareOptions::default()).unwrap()
}

fn floor(noise: f64) -> Truth {
    Truth::new(0.0, &[0.0; LINES.len()], noise)
}

fn holds(ratio: Option<DecibelRatio>, truth: f64) -> bool {
    ratio.is_some_and(|r| r.low <= truth && r.high.is_none_or(|high| truth <= high))
}

/// Six cases of 120 tables each, looped and isolated drawn from one process, amplitudes wandering by 3 %
/// between single captures and by 10 % between three. The rate that is claimed
/// is 5 % at most; over all 720 tables its binomial deviation is 0.81 %, so the limit of 7.5 % lies 3
/// deviations out (false alarm 0.1 %), and a true rate of 11 % would be found out almost surely. The same
/// tables without the correction for the number of figures must fail, or the test would show nothing.
#[test]
fn equal_conditions_give_few_false_verdicts() {
    let near = [0.1, 0.0, 0.05];
    let spread = |spread: f64, truth: Truth| Truth { spread, ..truth };
    let mut draws = Draws::seeded(11);
    let (mut tables, mut wrong, mut uncorrected) = (0, 0, 0);
    for (truth, captures) in [
        (floor(1.0), 1),
        (Truth::new(0.05, &near, 1.0), 1),
        (spread(0.03, Truth::new(5.0, &LINES, 0.1)), 1),
        (floor(1.0), 3),
        (spread(0.1, Truth::new(0.05, &near, 1.0)), 3),
        (spread(0.1, Truth::new(5.0, &LINES, 0.1)), 3),
    ] {
        let baseline = floor(truth.noise);
        let mut here = 0;
        for _ in 0..120 {
            let table = compared(
                [(&baseline, 1), (&truth, captures), (&truth, captures)],
                &mut draws,
            );
            let said = |v: Verdict| v != Verdict::Unresolved;
            here += i32::from(table.quantities.iter().any(|q| said(q.verdict)));
            let alone = |q: &ComparedQuantity| q.improvement_db.is_some_and(|r| r.excludes_zero());
            uncorrected += i32::from(table.quantities.iter().any(alone));
            tables += 1;
        }
        println!("{captures} captures of {truth:?}: {here} of 120");
        wrong += here;
    }
    let rate = f64::from(wrong) / f64::from(tables);
    assert!(rate <= 0.075, "{rate} of the tables hold a false verdict");
    let rate = f64::from(uncorrected) / f64::from(tables);
    assert!(rate > 0.1, "uncorrected: {rate}");
}

/// 300 tables a level. Over the four levels together the deviation of 95 % is 0.63 %: the band of 93 to
/// 97 % lies 3.2 deviations out (false alarm 1.5e-3); at one level 91 to 99 % lies 3.2 deviations out.
#[test]
fn true_improvements_are_covered() {
    let mut draws = Draws::seeded(12);
    let looped = Truth::new(0.5, &LINES, 0.3);
    let mut together = BTreeMap::<&str, (f64, f64)>::new();
    for level in [3.0, 10.0, 20.0, 40.0] {
        let isolated = looped.reduced(10.0_f64.powf(level / 20.0));
        let mut covered = BTreeMap::<&str, f64>::new();
        for _ in 0..300 {
            let table = compared([(&looped, 0), (&looped, 1), (&isolated, 1)], &mut draws);
            for name in ["dc_offset", "hum_rms", "harmonic_1_rms", "harmonic_3_rms"] {
                let ratio = table.quantity(name).unwrap().improvement_db;
                *covered.entry(name).or_default() += f64::from(holds(ratio, level));
            }
            let noise = table.quantity("noise_rms").unwrap().improvement_db;
            *covered.entry("noise_rms").or_default() += f64::from(holds(noise, 0.0));
        }
        println!("{level} dB: {covered:?}");
        for (name, count) in covered {
            let share = count / 300.0;
            let resolved = level < 40.0 || name == "noise_rms" || name == "harmonic_1_rms";
            let upper = if resolved { 0.99 } else { 0.997 };
            assert!(
                (0.91..=upper).contains(&share),
                "{name} at {level} dB: {share}"
            );
            if resolved {
                let sum = together.entry(name).or_default();
                *sum = (sum.0 + count, sum.1 + 300.0);
            }
        }
    }
    for (name, (covered, tables)) in together {
        let share = covered / tables;
        assert!((0.93..=0.97).contains(&share), "{name}: {share}");
    }
}

/// Excess over the floor and its reduction, floor and noise alike in all conditions. 400 tables: the
/// deviation is 1.09 %, the band of 91.5 to 98.5 % lies 3.2 deviations out (false alarm 1.5e-3).
#[test]
fn excess_over_the_floor_is_covered() {
    let mut draws = Draws::seeded(13);
    let baseline = Truth::new(0.02, &[0.05, 0.01, 0.02], 0.3);
    let looped = Truth::new(0.5, &LINES, 0.3);
    let isolated = Truth::new(0.1, &[0.2, 0.01, 0.1], 0.3);
    let root = |a: f64, b: f64| (a * a - b * b).sqrt();
    let (loop_excess, residual) = (root(1.0, 0.05), root(0.2, 0.05));
    let reduction = 20.0 * (loop_excess / residual).log10();
    let mut covered = [0; 5];
    for _ in 0..400 {
        let table = compared([(&baseline, 1), (&looped, 1), (&isolated, 1)], &mut draws);
        let h1 = table.quantity("harmonic_1_rms").unwrap();
        let offset = table.quantity("dc_offset").unwrap();
        covered[0] += i32::from(h1.loop_excess.unwrap().contains(loop_excess));
        covered[1] += i32::from(h1.residual_excess.unwrap().contains(residual));
        covered[2] += i32::from(holds(h1.excess_reduction_db, reduction));
        covered[3] += i32::from(offset.loop_excess.unwrap().contains(0.48));
        covered[4] += i32::from(offset.residual_excess.unwrap().contains(0.08));
    }
    println!("{covered:?}");
    for count in covered {
        let share = f64::from(count) / 400.0;
        assert!((0.915..=0.985).contains(&share), "{covered:?}");
    }
}

/// What a remedy leaves lies at 0, half and once the noise of a quadrature. The lower bound must be
/// true in 95 % at least (of 900 tables the deviation is 0.73 %: 93 % lies 2.7 deviations out), and
/// near what the floor allows, or it would be no claim.
#[test]
fn claims_at_the_floor_are_true_and_not_empty() {
    let mut draws = Draws::seeded(14);
    let looped = Truth::new(5.0, &LINES, 0.1);
    let quadrature = 0.1 / 2000.0_f64.sqrt();
    let (mut tables, mut kept, mut at_floor, mut bounds) = (0, 0, 0, Vec::new());
    for left in [0.0, 0.5, 1.0] {
        let left = left * quadrature;
        let isolated = Truth::new(left, &[left, 0.0, 0.0], 0.1);
        for _ in 0..300 {
            let table = compared([(&floor(0.1), 1), (&looped, 1), (&isolated, 1)], &mut draws);
            let h1 = table.quantity("harmonic_1_rms").unwrap();
            let ratio = h1.improvement_db.unwrap();
            kept += i32::from(ratio.low <= 20.0 * (1.0 / left).log10());
            at_floor += i32::from(h1.verdict == Verdict::AtFloor);
            if h1.verdict == Verdict::AtFloor && ratio.high.is_none() {
                assert_eq!(ratio.value, ratio.low);
                assert!(h1.sentence().contains("at least"), "{}", h1.sentence());
            }
            bounds.push(ratio.low);
            tables += 1;
        }
    }
    bounds.sort_by(f64::total_cmp);
    let median = bounds[bounds.len() / 2];
    let best = 20.0 * (1.0 / quadrature).log10();
    println!("kept {kept}, at the floor {at_floor} of {tables}, bound {median} of {best} dB");
    assert!(f64::from(kept) / f64::from(tables) >= 0.93);
    assert!(f64::from(at_floor) / f64::from(tables) > 0.9);
    assert!(
        best - 14.0 < median && median < best,
        "{median} against {best}"
    );
}

/// Three captures a condition, each 10 % off its condition's amplitude at random, against one. 400
/// tables: the deviation is 1.09 %, the band 91.5 to 98.5 % lies 3.2 deviations out (false alarm 1.5e-3).
#[test]
fn spread_between_captures_is_covered_by_three_and_not_by_one() {
    let mut draws = Draws::seeded(15);
    let looped = Truth {
        spread: 0.1,
        ..Truth::new(5.0, &LINES, 0.05)
    };
    let isolated = looped.reduced(10.0);
    let mut covered = [[0; 3]; 2];
    for (row, captures) in [3, 1].into_iter().enumerate() {
        for _ in 0..400 {
            let table = compared(
                [(&looped, 0), (&looped, captures), (&isolated, captures)],
                &mut draws,
            );
            for (i, name) in ["hum_rms", "harmonic_3_rms", "dc_offset"]
                .into_iter()
                .enumerate()
            {
                let ratio = table.quantity(name).unwrap().improvement_db;
                covered[row][i] += i32::from(holds(ratio, 20.0));
            }
            let warned = table.notes.iter().any(|n| n.contains("not what changes"));
            assert_eq!(warned, captures == 1);
        }
    }
    println!("{covered:?}");
    for count in covered[0] {
        let share = f64::from(count) / 400.0;
        assert!((0.915..=0.985).contains(&share), "{covered:?}");
    }
    for count in covered[1] {
        assert!(f64::from(count) / 400.0 < 0.5, "{covered:?}");
    }
}

//! How tight and how honest the intervals are: whole measurements of many simulated records.
//!
//! `cargo bench --bench intervals` writes `benches/results/intervals.md`. `HUMSIEVE_TRIALS` sets the records a scenario,
//! `HUMSIEVE_CLASS` names scenarios by parts of their names parted by `|`; with either the tables are only printed.
//! Without `--bench` one record of the shortest scenarios is measured.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod scenarios;
#[path = "../../tests/support/synthesis/mod.rs"]
mod synthesis;

use std::env::{args, var};
use std::fmt::Write as _;
use synthesis::bounded::{Bounded, BoundedOutcome, bounded_trials, coarse};
use synthesis::outcome::{Outcome, run};
use synthesis::tally::Tally;

const TRIALS: u64 = 200;
/// Long records get fewer trials, but no fewer than this part of them.
const LEAST_PART: u64 = 2;

const SCENARIOS: &str = "| scenario | trials | detected | wrong 50/60 | false harmonics | offset: cov., RMSE/bound | \
frequency: cov., bias/scatter, RMSE/bound | hum RMS: cov., bias | harmonic 1: cov., RMSE/bound | noise RMS: cov. |\n\
| --- | ---: | ---: | ---: | ---: | --- | --- | --- | --- | --- |";

const BOUNDED: &str = "| record | offset | frequency | hum | order 1 | order 3 | order 5 | noise | wild | with tones | \
refused | warned | ms |\n| --- | --- | --- | --- | --- | --- | --- | --- | ---: | ---: | ---: | ---: | ---: |";

fn row(name: &str, scenario: &synthesis::Scenario, o: &Outcome) -> String {
    let [offset, frequency, hum, first, noise] = &o.figures;
    let part = |t: &Tally, text: String| if t.trials > 0.0 { text } else { "-".into() };
    let bound = |t: &Tally, bound: f64| format!("{:.3}, {:.3}", t.coverage(), t.rmse() / bound);
    let (of_frequency, of_hum) = (frequency.coverage(), hum.coverage());
    [
        format!("| {name} | {}", o.trials),
        format!("{:.3}", o.detected / o.trials),
        format!("{:.4}", o.wrong_nominal / o.trials),
        format!("{:.4}", o.false_harmonics / o.trials),
        part(offset, bound(offset, scenario.offset_bound())),
        part(
            frequency,
            format!(
                "{of_frequency:.3}, {:+.2}, {:.3}",
                frequency.bias_over_scatter(),
                frequency.rmse() / scenario.frequency_bound()
            ),
        ),
        part(hum, format!("{of_hum:.3}, {:+.2}", hum.bias_over_scatter())),
        part(first, bound(first, scenario.rms_bound(1))),
        format!("{:.3} |", noise.coverage()),
    ]
    .join(" | ")
}

/// Share of the intervals that hold, and the claimed standard uncertainty.
fn bounded_row(name: &str, o: &BoundedOutcome, trials: u64) -> String {
    let cells = o.tallies.each_ref().map(|t| {
        if t.trials > 0.0 {
            format!("{:.3} ({:.2e})", t.coverage(), t.claim())
        } else {
            "-".into()
        }
    });
    format!(
        "| {name} | {} | {} | {} | {} | {} | {:.0} |",
        cells.join(" | "),
        o.wild,
        o.tones,
        o.refused,
        o.warned,
        1e3 * o.seconds / trials as f64
    )
}

/// Noise in steps and peak of the hum in steps by length; then the share clipped, one-sided and two-sided, where no full
/// scale is stated.
fn bounded_cases() -> Vec<(String, Bounded)> {
    let mut cases = Vec::new();
    for cycles in [3.0, 10.0, 50.0] {
        for amplitude in [0.3, 1.0, 3.0, 10.0, 100.0] {
            for noise in [0.01, 0.05, 0.13, 0.25, 0.5] {
                let name = format!("{cycles} cycles, {amplitude} steps of hum, {noise} of noise");
                cases.push((name, coarse(cycles, amplitude, noise)));
            }
        }
        for noise in [0.0, 0.01, 0.1] {
            for (above, below) in [
                (0.03, 0.0),
                (0.08, 0.0),
                (0.2, 0.0),
                (0.45, 0.0),
                (0.1, 0.1),
                (0.2, 0.2),
                (0.3, 0.05),
                (0.4, 0.4),
            ] {
                let name = format!(
                    "{cycles} cycles, {noise} of noise, clipped: {above} above, {below} below"
                );
                let case = Bounded {
                    rounded: false,
                    above,
                    below,
                    ..coarse(cycles, 1.0, noise)
                };
                cases.push((name, case));
            }
        }
    }
    cases
}

fn main() {
    let bench = args().any(|argument| argument == "--bench");
    let asked = var("HUMSIEVE_CLASS").ok();
    let trials: Option<u64> = var("HUMSIEVE_TRIALS").ok().map(|t| t.parse().unwrap());
    let whole = bench && asked.is_none() && trials.is_none();
    let trials = trials.unwrap_or(if bench { TRIALS } else { 1 });
    let asked = asked.unwrap_or_else(|| {
        if bench {
            String::new()
        } else {
            "1.2 cycles".into()
        }
    });
    let wants = |name: &str| asked.split('|').any(|part| name.contains(part));
    let mut text = include_str!("head.md").replace("TRIALS", &trials.to_string());
    let mut add = |line: &str| {
        println!("{line}");
        writeln!(text, "{line}").unwrap();
    };
    add(SCENARIOS);
    for (seed, case) in (7..).zip(scenarios::cases()) {
        if wants(case.name) {
            let trials = (trials / case.cost).max(trials / LEAST_PART).max(1);
            let outcome = run(&case.scenario, trials, seed);
            add(&row(case.name, &case.scenario, &outcome));
        }
    }
    add("\n## Coarse converters and clipped records\n");
    add("Share of the intervals that hold, and the claimed standard uncertainty.\n");
    add(BOUNDED);
    for (name, case) in bounded_cases() {
        if wants(&name) {
            add(&bounded_row(
                &name,
                &bounded_trials(&case, trials, 21),
                trials,
            ));
        }
    }
    if whole {
        text.push_str(include_str!("notes.md"));
        std::fs::write("benches/results/intervals.md", text).unwrap();
    }
}

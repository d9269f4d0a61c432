//! Whether the interval of what separation leaves holds what it left, for every method.
//!
//! `cargo bench --bench residual` writes `benches/results/residual.md`. `HUMSIEVE_TRIALS` sets the records a case,
//! `HUMSIEVE_SEED` the first seed, `HUMSIEVE_CLASS` names the cases by parts of their names parted by `|`; with either the
//! table is only printed. Without `--bench` two records of one case run.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used
)]

#[path = "../../tests/support/separation/cases.rs"]
mod cases;
#[path = "../../tests/support/separation/left.rs"]
mod left;
#[path = "../../tests/support/separation/templates.rs"]
mod templates;
#[path = "../../tests/support/separation/two_channels.rs"]
mod two_channels;

use left::{LeftCase, Outcome, left_cases};
use std::env::{args, var};
use std::fmt::Write as _;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{available_parallelism, scope};

const RUNS: u64 = 200;
const FIRST_SEED: u64 = 7000;

fn outcomes(case: &LeftCase, runs: u64, seed: u64) -> Vec<Option<Outcome>> {
    let next = AtomicU64::new(0);
    let all = Mutex::new(Vec::new());
    scope(|threads| {
        for _ in 0..available_parallelism().map_or(1, usize::from) {
            threads.spawn(|| {
                loop {
                    let run = next.fetch_add(1, Ordering::Relaxed);
                    if run >= runs {
                        break;
                    }
                    let outcome = (case.run)(seed + run);
                    all.lock().unwrap().push(outcome);
                }
            });
        }
    });
    all.into_inner().unwrap()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn row(case: &LeftCase, runs: u64, seed: u64) -> String {
    let all = outcomes(case, runs, seed);
    let refused = all.iter().filter(|o| o.is_none()).count();
    let all: Vec<Outcome> = all.into_iter().flatten().collect();
    let count = all.len().max(1) as f64;
    let share =
        |of: &dyn Fn(&Outcome) -> bool| 100.0 * all.iter().filter(|o| of(o)).count() as f64 / count;
    let over = |of: &dyn Fn(&Outcome) -> f64| median(all.iter().map(|o| of(o) / o.left).collect());
    let power: f64 = all.iter().map(|o| (o.left / o.interference).powi(2)).sum();
    format!(
        "| {} | {} | {:.0} | {:.0} | {:.0} | {:.2} | {:.2} | {:.1} | {} |",
        case.name,
        all.len(),
        share(&|o| o.said.low <= o.left && o.left <= o.said.high),
        share(&|o| o.left > o.said.high),
        share(&|o| o.left < o.said.low),
        over(&|o| o.said.value),
        over(&|o| o.said.high),
        10.0 * (power / count).log10(),
        refused,
    )
}

fn main() {
    let bench = args().any(|argument| argument == "--bench");
    let wanted = var("HUMSIEVE_CLASS").ok();
    let trials = var("HUMSIEVE_TRIALS").ok().map(|t| t.parse().unwrap());
    let seed = var("HUMSIEVE_SEED").map_or(FIRST_SEED, |s| s.parse().unwrap());
    let whole = bench && wanted.is_none() && trials.is_none();
    let runs = trials.unwrap_or(if bench { RUNS } else { 2 });
    let wanted = wanted.unwrap_or_else(|| if bench { "" } else { "3 cycles" }.into());
    let mut text = include_str!("head.md").replace("RUNS", &runs.to_string());
    let mut add = |line: &str| {
        println!("{line}");
        writeln!(text, "{line}").unwrap();
    };
    add(
        "| case | records | held, % | more left, % | less left, % | value | high | error, dB | refused |",
    );
    add("|---|---:|---:|---:|---:|---:|---:|---:|---:|");
    for case in left_cases() {
        if wanted.split('|').any(|part| case.name.contains(part)) {
            add(&row(&case, runs, seed));
        }
    }
    if whole {
        std::fs::write("benches/results/residual.md", text).unwrap();
    }
}

//! Scoreboard of separation: what is left of the interference beside the oracle, beside textbook methods written plainly.
//!
//! `cargo bench --bench scoreboard` writes `benches/results/separation.md`. `HUMSIEVE_TRIALS` sets the seeds a case,
//! `HUMSIEVE_CLASS` names the cases by parts of their names parted by `|`; with either the table is only printed.
//! Without `--bench` one seed of one case runs.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used
)]

#[path = "../../tests/support/separation/cases.rs"]
mod cases;
#[path = "../../tests/support/separation/two_channels.rs"]
mod two_channels;
#[path = "../../tests/support/separation/while_captured.rs"]
mod while_captured;
#[path = "../../tests/support/separation/yardsticks.rs"]
mod yardsticks;

use cases::{Case, Recipe, make, recipes, silent_recipes};
use humsieve::separation::{HarmonicOptions, harmonic};
use std::env::{args, var};
use std::fmt::Write as _;
use std::time::Instant;
use two_channels::{PairRecipe, by_second_channel, make_pair, pair_error, pair_recipes};
use while_captured::online_loss_db;

const SEEDS: u64 = 4;
/// Records that are long enough to be worked while they come in.
const ONLINE_FROM_S: f64 = 3.0;

type Method = (&'static str, fn(&Case) -> Vec<f64>);

const METHODS: [Method; 7] = [
    ("humsieve", ours),
    ("notch", yardsticks::notches),
    ("comb", yardsticks::comb),
    ("LS 1 s", |c| yardsticks::blocks(c, 1.0)),
    ("LS whole", |c| yardsticks::blocks(c, 1e9)),
    ("cycle mean", yardsticks::cycle_average),
    ("adaptive", yardsticks::adaptive),
];

fn ours(case: &Case) -> Vec<f64> {
    harmonic(&case.record(), case.rate_hz, &HarmonicOptions::default())
        .unwrap()
        .interference
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-30).log10()
}

fn power(x: &[f64]) -> f64 {
    x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64
}

/// One row: every method's residual over the oracle's, how far the wanted signal is changed, milliseconds a record.
fn row(recipe: &Recipe, seeds: u64) -> String {
    let mut errors = [0.0; METHODS.len()];
    let (mut oracle, mut noise, mut change, mut millis) = (0.0, 0.0, 0.0, 0.0);
    for seed in 0..seeds {
        let mut case = make(recipe, 1000 + seed);
        oracle += yardsticks::oracle(&case);
        noise += power(&case.noise);
        let start = Instant::now();
        let with = ours(&case);
        millis += start.elapsed().as_secs_f64() * 1e3;
        for (error, (_, method)) in errors.iter_mut().zip(METHODS) {
            *error += yardsticks::error(&case, &method(&case));
        }
        let wanted = power(&case.wanted);
        if wanted > 0.0 {
            case.wanted.fill(0.0);
            let without = ours(&case);
            let moved: Vec<f64> = with.iter().zip(&without).map(|(a, b)| a - b).collect();
            change += power(&moved) / wanted;
        }
    }
    let cells = errors.map(|e| format!("{:.1}", db(e / oracle))).join(" | ");
    let changed = if change > 0.0 {
        format!("{:.0}", db(change / seeds as f64))
    } else {
        "-".into()
    };
    format!(
        "| {} | {:.1} | {cells} | {changed} | {:.0} |",
        recipe.name,
        db(oracle / noise),
        millis / seeds as f64
    )
}

fn pair_row(recipe: &PairRecipe) -> String {
    let case = make_pair(recipe, 3000);
    let mine = pair_error(&case, &by_second_channel(&case, recipe));
    let plain = pair_error(&case, &two_channels::gain_and_delay(&case, recipe.delay));
    format!("| {} | {mine:.1} | {plain:.1} |", recipe.name)
}

/// Mean and largest loss of the form that takes blocks as they come.
fn online_row(recipe: &Recipe, seeds: u64) -> String {
    let losses: Vec<f64> = (0..seeds)
        .map(|seed| online_loss_db(&make(recipe, 1000 + seed), 1.0))
        .collect();
    let mean = losses.iter().sum::<f64>() / seeds as f64;
    let largest = losses.iter().copied().fold(f64::MIN, f64::max);
    format!("| {} | {mean:.1} | {largest:.1} |", recipe.name)
}

/// Of a record without hum: how much is taken out, in how many.
fn silent_row(recipe: &Recipe, seeds: u64) -> String {
    let (mut taken, mut records) = (0.0, 0);
    for seed in 0..seeds {
        let case = make(recipe, 2000 + seed);
        let hum = ours(&case);
        taken += power(&hum) / power(&case.record());
        records += u64::from(power(&hum) > 0.0);
    }
    let taken = if records > 0 {
        format!("{:.1} dB", db(taken / seeds as f64))
    } else {
        "nothing".into()
    };
    format!("| {} | {taken} | {records} of {seeds} |", recipe.name)
}

fn main() {
    let bench = args().any(|argument| argument == "--bench");
    let wanted = var("HUMSIEVE_CLASS").ok();
    let trials = var("HUMSIEVE_TRIALS").ok().map(|t| t.parse().unwrap());
    let whole = bench && wanted.is_none() && trials.is_none();
    let seeds = trials.unwrap_or(if bench { SEEDS } else { 1 });
    let wanted = wanted.unwrap_or_else(|| {
        if bench {
            String::new()
        } else {
            "3 cycles".into()
        }
    });
    let wants = |name: &str| wanted.split('|').any(|part| name.contains(part));
    let mut text = include_str!("head.md").replace("SEEDS", &seeds.to_string());
    let mut add = |line: &str| {
        println!("{line}");
        writeln!(text, "{line}").unwrap();
    };
    let names = METHODS.map(|m| m.0).join(" | ");
    add(&format!(
        "| case | oracle over noise | {names} | wanted changed | ms |"
    ));
    add(&format!("|---|{}", "---:|".repeat(METHODS.len() + 3)));
    for recipe in recipes().iter().filter(|r| wants(r.name)) {
        add(&row(recipe, seeds));
    }
    add("\n## Records without hum\n\n| case | taken out | records |\n|---|---:|---:|");
    for recipe in silent_recipes().iter().filter(|r| wants(r.name)) {
        add(&silent_row(recipe, seeds));
    }
    add(
        "\n## Second channels\n\nError of what was removed, dB of the interference, both about their means; one seed.\n",
    );
    add("| case | humsieve | one gain and one delay |\n|---|---:|---:|");
    for recipe in pair_recipes().iter().filter(|r| wants(r.name)) {
        add(&pair_row(recipe));
    }
    add(
        "\n## While the record comes in\n\nWhat is left after the first second over what the fit of the whole record leaves there, dB: \
         a latency of 1 s, a memory of 20 s. Who has the record up to the latency alone cannot know what comes: on steady \
         mains of 10 s that costs 3.3 dB.\n",
    );
    add("| case | mean | largest |\n|---|---:|---:|");
    let long = |r: &&Recipe| r.seconds >= ONLINE_FROM_S && wants(r.name);
    for recipe in recipes().iter().filter(long) {
        add(&online_row(recipe, seeds));
    }
    if whole {
        text.push_str(include_str!("notes.md"));
        std::fs::write("benches/results/separation.md", text).unwrap();
    }
}

//! How right the figures are: coverage, width and scatter of every figure on records of many kinds whose truth is known.
//!
//! ```text
//! cargo bench --bench accuracy                 # the table of benches/results/accuracy.md
//! cargo bench --profile dev --bench accuracy   # the same without the long optimised build
//! ```
//!
//! Environment: `HUMSIEVE_TRIALS` (200), `HUMSIEVE_CLASS` (part of a class's name; several with `|`), `HUMSIEVE_SEED` (1),
//! `HUMSIEVE_VERBOSE=1` (every trial that fails: truth, estimate, warnings), `HUMSIEVE_TRIAL=12` (only this one) with
//! `HUMSIEVE_DUMP=record.csv` (its samples as a capture), `HUMSIEVE_RECORDINGS=folder` (instead: real recordings against that
//! folder's `reference_values.json`). The table is written where all classes were run; elsewhere with `HUMSIEVE_TABLE=path`.
//!
//! Where cores are shared, build first (`cargo bench --profile dev --bench accuracy --no-run`) and run the program that
//! names, with `--bench`.
//!
//! A trial's record depends on seed, class and number only, never on threads. Run as a test (without `--bench`) it
//! measures one record of every class.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod bound;
mod classes;
mod demodulated;
mod draw;
mod judge;
mod lively;
mod ranges;
mod recipe;
mod recordings;
mod series;
#[path = "../../tests/support/synthesis/mod.rs"]
mod synthesis;
mod table;
mod wanted;

use classes::Class;
use draw::Draw;
use humsieve::Error;
use judge::{FIGURES, Outcome, judged};
use rayon::ThreadPoolBuilder;
use std::collections::BTreeMap;
use std::env::{args, var, var_os};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

struct Settings {
    trials: std::ops::Range<usize>,
    seed: u64,
    classes: Option<String>,
    verbose: bool,
    dump: Option<PathBuf>,
    table: Option<PathBuf>,
}

impl Settings {
    fn read() -> Self {
        let number = |name: &str| var(name).ok().map(|text| text.parse::<usize>().unwrap());
        let bench = args().any(|argument| argument == "--bench");
        let most = number("HUMSIEVE_TRIALS").unwrap_or(if bench { 200 } else { 1 });
        let classes = var("HUMSIEVE_CLASS").ok();
        let whole = bench && classes.is_none() && var_os("HUMSIEVE_TRIALS").is_none();
        let usual = whole.then(|| PathBuf::from("benches/results/accuracy.md"));
        Self {
            trials: number("HUMSIEVE_TRIAL").map_or(0..most, |one| one..one + 1),
            seed: number("HUMSIEVE_SEED").unwrap_or(1) as u64,
            classes,
            verbose: var_os("HUMSIEVE_VERBOSE").is_some(),
            dump: var_os("HUMSIEVE_DUMP").map(PathBuf::from),
            table: var_os("HUMSIEVE_TABLE").map(PathBuf::from).or(usual),
        }
    }

    fn wants(&self, class: &Class) -> bool {
        self.classes
            .as_ref()
            .is_none_or(|parts| parts.split('|').any(|part| class.name.contains(part)))
    }
}

fn main() {
    if let Some(folder) = var_os("HUMSIEVE_RECORDINGS") {
        recordings::compare(Path::new(&folder));
        return;
    }
    let settings = Settings::read();
    let mut text = table::head(settings.trials.len(), settings.seed);
    println!("{text}");
    let mut add = |row: String| {
        println!("{row}");
        text.push('\n');
        text.push_str(&row);
    };
    let mut groups: BTreeMap<String, Vec<Outcome>> = BTreeMap::new();
    for class in classes::all().iter().filter(|class| settings.wants(class)) {
        let (outcomes, refused) = run(class, &settings);
        add(table::row(&class.name, &outcomes, refused));
        let letter = class.name.chars().take(1).collect();
        groups.entry(letter).or_default().extend(outcomes);
    }
    for (letter, outcomes) in &groups {
        add(table::row(&format!("all of {letter}"), outcomes, 0));
    }
    if let Some(path) = &settings.table {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text + "\n").unwrap();
    }
}

/// One trial after the other on each core. Each core measures in a pool of one thread of its own, so that the time of
/// a measurement is not that of others it helps with.
fn trials(class: &Class, settings: &Settings) -> BTreeMap<usize, Result<Outcome, Error>> {
    let next = AtomicUsize::new(settings.trials.start);
    let results = Mutex::new(BTreeMap::new());
    let work = || {
        let alone = ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= settings.trials.end {
                break;
            }
            let mut draw = Draw::seeded(settings.seed, &class.name, number);
            let trial = class.recipe.trial(&mut draw);
            if let Some(path) = &settings.dump {
                dump(path, &trial);
            }
            let result = alone.install(|| judged(&trial));
            results.lock().unwrap().insert(number, result);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
    });
    results.into_inner().unwrap()
}

/// Every trial of a class that was measured, and how many were refused.
fn run(class: &Class, settings: &Settings) -> (Vec<Outcome>, usize) {
    let mut outcomes = Vec::new();
    let mut refused = 0;
    for (number, result) in trials(class, settings) {
        match result {
            Ok(outcome) => {
                if settings.verbose && outcome.fails() {
                    tell(&class.name, number, &outcome);
                }
                outcomes.push(outcome);
            }
            Err(error) => {
                refused += 1;
                if settings.verbose {
                    println!("{}, trial {number}: {error}", class.name);
                }
            }
        }
    }
    (outcomes, refused)
}

fn tell(class: &str, number: usize, outcome: &Outcome) {
    let detected = if outcome.detected {
        ""
    } else {
        " not detected"
    };
    let nominal = if outcome.nominal_right == Some(false) {
        " WRONG NOMINAL"
    } else {
        ""
    };
    println!(
        "{class}, trial {number}, {} samples at {} Hz:{detected}{nominal} warnings {:?} false tones {:.3?}",
        outcome.samples, outcome.rate_hz, outcome.warnings, outcome.false_tones
    );
    for (name, figure) in FIGURES.iter().zip(&outcome.figures) {
        let Some(reading) = figure else { continue };
        let mark = match (reading.held, reading.wild) {
            (true, _) => "",
            (_, true) => "  WILD",
            _ => "  outside",
        };
        let e = reading.estimate;
        println!(
            "    {name:13} true {:.9e} got {:.9e} ({:.9e} to {:.9e}), width {:.2}, error {:.2}{mark}",
            reading.truth, e.value, e.low, e.high, reading.width, reading.error
        );
    }
}

fn dump(path: &Path, trial: &recipe::Trial) {
    let mut text = String::from("time (s),1 (V)\n");
    for (n, x) in trial.samples.iter().enumerate() {
        text.push_str(&format!("{:.9},{x:e}\n", n as f64 / trial.rate_hz));
    }
    std::fs::write(path, text).unwrap();
}

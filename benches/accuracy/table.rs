//! The table: a row a class.

use crate::judge::{FIGURES, Outcome, Reading};
use std::fmt::Write;

/// The head of the table and what its columns mean.
pub fn head(trials: usize, seed: u64) -> String {
    let mut text = format!(
        "# Accuracy on made records\n\n\
         {trials} trials a class, seed {seed}, measured with the program's own settings but for F. Made by \
         `cargo bench --bench accuracy`.\n\n\
         A figure's cell: share of 95 % intervals that hold the truth, %; median half-width over that of the bound; \
         median error over that of the bound (both 1 for an efficient estimator). Where the figure was given in \
         fewer than all trials: (of so many). The bound is the Cramér-Rao bound of plain hum of constant frequency and \
         amplitude in the made noise.\n\n\
         detected: share of records in which mains was detected (D: falsely). nominal: 50 or 60 Hz right, of those detected. \
         wild: share with a figure whose truth lies outside its interval by three half-widths and whose value is off by \
         10 % of it (frequency: 10 mHz, phase: 0.1 rad), first without any warning but `mains_not_detected`, then with; \
         in brackets which figures, of all trials. tones: false ones a record.\n\n\
         Truth: frequency, the phase gained over the record; hum, root of the mean squared track; offset, the constant \
         and the mean over the record of what is wanted (tones excepted); noise, from its density, with that of the \
         converter's step from noise of half a step on, not where the wanted signal is as \
         broad (speech-, heart- and music-like, chirp, two-valued), nor are tones judged there. Phase not where the hum \
         starts late. A 100 Hz tone alone is a rectifier's hum for all anyone can tell; other lone lines are kept off \
         the places of orders 1 and 2. Times on one core among others at work.\n\n\
         | class | detected | nominal |"
    );
    for figure in FIGURES {
        let _ = write!(text, " {figure} |");
    }
    text.push_str(" wild | wild, warned | tones | ms |\n|---|---|---|");
    text.push_str(&"---|".repeat(FIGURES.len() + 4));
    text
}

/// A class's row.
pub fn row(name: &str, outcomes: &[Outcome], refused: usize) -> String {
    let mut text = format!("| {name}");
    if refused > 0 {
        let _ = write!(text, " (refused {refused})");
    }
    let share = |yes: usize, of: usize| percent(yes as f64 / of as f64);
    let detected = outcomes.iter().filter(|o| o.detected).count();
    let _ = write!(text, " | {} |", share(detected, outcomes.len()));
    let found = outcomes.iter().filter(|o| o.detected);
    let nominal: Vec<bool> = found.filter_map(|o| o.nominal_right).collect();
    let right = nominal.iter().filter(|right| **right).count();
    if nominal.is_empty() {
        text.push_str(" - |");
    } else {
        let _ = write!(text, " {} |", share(right, nominal.len()));
    }
    for figure in 0..FIGURES.len() {
        let _ = write!(text, " {} |", cell(outcomes, figure));
    }
    for warned in [false, true] {
        let _ = write!(text, " {} |", wild(outcomes, warned));
    }
    let tones: usize = outcomes.iter().map(|o| o.false_tones.len()).sum();
    let time: f64 = outcomes.iter().map(|o| o.time_ms).sum();
    let count = outcomes.len() as f64;
    let _ = write!(text, " {:.2} | {:.1} |", tones as f64 / count, time / count);
    text
}

fn cell(outcomes: &[Outcome], figure: usize) -> String {
    let given: Vec<Reading> = outcomes.iter().filter_map(|o| o.figures[figure]).collect();
    if given.is_empty() {
        return "-".into();
    }
    let held = given.iter().filter(|r| r.held).count();
    let mut text = percent(held as f64 / given.len() as f64);
    if given.len() < outcomes.len() {
        let _ = write!(text, " ({})", given.len());
    }
    let width = median(given.iter().map(|r| r.width));
    if let Some(width) = width {
        // The median magnitude of a normal deviate is 0.6745 of its deviation.
        let error = median(given.iter().map(|r| r.error / 0.6745)).unwrap_or(f64::NAN);
        let _ = write!(text, " · {} · {}", short(width), short(error));
    }
    text
}

fn wild(outcomes: &[Outcome], warned: bool) -> String {
    let of_kind = || outcomes.iter().filter(|o| o.warnings.is_empty() != warned);
    let count = of_kind().filter(|o| o.wild()).count();
    if count == 0 {
        return "0".into();
    }
    let which: Vec<String> = (0..FIGURES.len())
        .filter_map(|figure| {
            let count = of_kind()
                .filter(|o| o.figures[figure].is_some_and(|r| r.wild))
                .count();
            let name = ["f", "hum", "h1", "ph", "dc", "n"][figure];
            (count > 0).then(|| format!("{name} {count}"))
        })
        .collect();
    let share = percent(count as f64 / outcomes.len() as f64);
    format!("{share} ({})", which.join(", "))
}

fn percent(share: f64) -> String {
    if share.is_nan() {
        "-".into()
    } else {
        format!("{:.1}", 100.0 * share).replace(".0", "")
    }
}

fn short(x: f64) -> String {
    match x.abs() {
        a if a < 10.0 => format!("{x:.2}"),
        a if a < 1000.0 => format!("{x:.0}"),
        _ => format!("{x:.0e}"),
    }
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut all: Vec<f64> = values.filter(|x| x.is_finite()).collect();
    if all.is_empty() {
        return None;
    }
    all.sort_by(f64::total_cmp);
    Some(all[all.len() / 2])
}

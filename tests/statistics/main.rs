//! Seeded simulation: intervals hold the truth as often as they say, estimates stand at their bounds.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic
)]

mod coverage;
mod few_cycles;
mod few_levels;
mod long_records;
mod lost_samples;
mod modulated_series;
mod monte_carlo;
mod nine_orders;
mod no_more_than_held;
mod off_nominal;
mod passing;
mod switched_loads;
#[path = "../support/synthesis/mod.rs"]
mod synthesis;
mod test_tones;
mod tone_relations;
mod turned_series;
mod unseen_hum;

//! How the time of reading, measuring and separating grows with the record: nanoseconds a sample, the same in every
//! row where growth is linear. `cargo bench --bench scaling` writes `benches/results/scaling.md`.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use humsieve::capture::{MemorySink, MemorySource};
use humsieve::load::{LoadOptions, open};
use humsieve::separation::{SeparateOptions, separate};
use humsieve::{MeasureOptions, analysis};
use std::fmt::Write as _;
use std::fs;
use std::time::Instant;

/// Nanoseconds a sample, the least of three rounds.
fn cost(frames: usize, mut work: impl FnMut()) -> f64 {
    (0..3)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64() * 1e9 / frames as f64
        })
        .fold(f64::INFINITY, f64::min)
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let options = MeasureOptions::default();
    let mut text = String::from(
        "# Time by length of the record\n\nNanoseconds a sample, one channel at 48 kHz, least of three, all threads. Made by \
         `cargo bench --bench scaling`.\n\n",
    );
    let mut add = |line: &str| {
        println!("{line}");
        writeln!(text, "{line}").unwrap();
    };
    add("| samples | read CSV | read WAV | measure WAV | separate |");
    add("| ---: | ---: | ---: | ---: | ---: |");
    for frames in signal::lengths(10_000_000) {
        let text = signal::write_text(folder.path(), frames, 1);
        let wave = signal::write_wave(folder.path(), frames, 1);
        let read_text = cost(frames, || {
            signal::read_through(&text);
        });
        let read_wave = cost(frames, || {
            signal::read_through(&wave);
        });
        let measured = cost(frames, || {
            let mut sources = open(&wave, &LoadOptions::default()).unwrap();
            analysis::measure(sources[0].as_mut(), &options).unwrap();
        });
        let separated = if frames > 1_000_000 {
            "-".into()
        } else {
            let capture = signal::capture(frames, 1);
            let cost = cost(frames, || {
                let mut source = MemorySource::new(&capture);
                let mut sink = MemorySink::new();
                separate(&mut source, None, &SeparateOptions::default(), &mut sink).unwrap();
            });
            format!("{cost:.0}")
        };
        add(&format!(
            "| {frames} | {read_text:.1} | {read_wave:.1} | {measured:.0} | {separated} |"
        ));
        fs::remove_file(text).unwrap();
        fs::remove_file(wave).unwrap();
    }
    if std::env::args().any(|argument| argument == "--bench") {
        fs::write("benches/results/scaling.md", text).unwrap();
    }
}

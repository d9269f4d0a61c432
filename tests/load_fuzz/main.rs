//! No bytes make the loader panic, run away or contradict itself.
//!
//! Inputs are made by a seeded generator that knows cells, separators, quotes, headers, preambles and the
//! chunks of recordings, and by mutating the good and bad files of `tests/data/`. What is read must be the
//! same on a second reading, in blocks of any size, and without the fast path, and be no more than the input
//! holds. Files that once failed are kept in `tests/data/fuzz_corpus/` and read on every run.
//!
//! The long run: `HUMSIEVE_FUZZ_RUNS` inputs (twenty million unless told) from `HUMSIEVE_FUZZ_SEED`.
//!
//! `way` goes on with what was read: measured, separated and compared, all of it held to the rule of figures.
#![allow(
    missing_docs,
    clippy::too_many_lines,
    clippy::unwrap_used,
    clippy::panic
)]

mod clock;
#[path = "../support/figures.rs"]
mod figures;
mod recording;
mod table;
mod way;

use clock::Clock;
use humsieve::capture::FrameSource;
use humsieve::load::{LoadOptions, bytes, explain, open};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// A mutated file is small; one that takes longer than this has run away.
const LONGEST: Duration = Duration::from_secs(10);

fn data() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data")
}

fn files_of(folder: &str) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(data().join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| {
            path.extension()
                .is_some_and(|ending| ending != "json" && ending != "py" && ending != "md")
        })
        .collect();
    paths.sort();
    paths
        .iter()
        .map(|path| std::fs::read(path).unwrap())
        .collect()
}

/// Bits of all samples, read in blocks of a size; the error's text where reading fails.
fn read(source: &mut dyn FrameSource, block: usize) -> Result<Vec<u64>, String> {
    source.rewind().map_err(|e| e.to_string())?;
    let channels = source.header().channels.len();
    let mut values = Array2::zeros((channels, block));
    let mut bits: Vec<Vec<u64>> = vec![Vec::new(); channels];
    loop {
        let count = source.read_block(&mut values).map_err(|e| e.to_string())?;
        if count == 0 {
            break;
        }
        assert!(count <= block);
        for (bits, row) in bits.iter_mut().zip(values.rows()) {
            bits.extend(row.iter().take(count).map(|value| {
                if value.is_nan() {
                    u64::MAX
                } else {
                    value.to_bits()
                }
            }));
        }
    }
    let header = source.header();
    header.time_base.check().unwrap();
    assert_eq!(header.frames, Some(bits[0].len() as u64));
    Ok(bits.concat())
}

/// Frames to a block: more than small inputs hold.
const BLOCK: usize = 64;

/// Loads some bytes and checks the laws; whether they were read to their end.
fn check(content: &[u8], options: &LoadOptions) -> bool {
    let clock = Clock::start();
    let mut sound = false;
    if let Ok(sources) = bytes("input", content, options) {
        let general = {
            let mut options = options.clone();
            options.general_only = true;
            options
        };
        let others = bytes("input", content, &general).unwrap();
        assert_eq!(sources.len(), others.len());
        sound = true;
        for (mut source, mut other) in sources.into_iter().zip(others) {
            let whole = read(source.as_mut(), BLOCK);
            let again = read(source.as_mut(), 13);
            assert_eq!(whole, again, "block sizes disagree");
            let general = read(other.as_mut(), BLOCK);
            assert_eq!(whole, general, "fast and general reading disagree");
            let channels = source.header().channels.len();
            assert!(channels <= content.len(), "{channels} channels");
            match whole {
                // A gap in the times may be filled up, by a tenth and sixteen frames at most.
                Ok(samples) => assert!(samples.len() <= 2 * content.len() + 17 * channels),
                Err(_) => sound = false,
            }
        }
    }
    let took = clock.took();
    assert!(took < LONGEST, "{took:?}");
    sound
}

/// As [`check`], of a file, which is explained as well.
fn check_file(path: &Path, options: &LoadOptions) {
    let content = std::fs::read(path).unwrap();
    let sound = check(&content, options);
    assert_eq!(explain(path, options).is_ok(), sound);
}

const SPLINTERS: [&[u8]; 44] = [
    b"NaN",
    b"inf",
    b"-OL",
    b"9.9E+37",
    b"1e999",
    b"-1e-999",
    b"0x1F",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\0",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\"",
    b"\"\"",
    b"\n",
    b"\r",
    b"\r\n",
    b"\n\n",
    b",",
    b";",
    b"\t",
    b" ",
    b"|",
    b",,,,",
    b"#",
    b"time",
    b"Sample Rate,",
    b"dt=0",
    b"Points,99999999999999999999",
    b"1,234.5",
    b"0,001;1,5",
    b"12:00:00",
    b"2025-02-30",
    b"99:99:99.999999999999999999",
    b"sep=;",
    b"+",
    b"-",
    b".",
    b"e",
    b"123456789012345678901234567890",
    b"\xb5V",
    b"(mV)",
    b"data",
    b"RF64",
];

fn mutate(rng: &mut ChaCha8Rng, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds[rng.random_range(0..seeds.len())].clone();
    for _ in 0..rng.random_range(1..6) {
        let length = bytes.len();
        let at = if length == 0 {
            0
        } else {
            rng.random_range(0..length)
        };
        let span = rng.random_range(0..=(length - at).min(64));
        match rng.random_range(0..8) {
            0 if length > 0 => bytes[at] = rng.random(),
            1 if length > 0 => bytes[at] ^= 1 << rng.random_range(0..8),
            2 => {
                bytes.drain(at..at + span);
            }
            3 => {
                let part = bytes[at..at + span].to_vec();
                let to = rng.random_range(0..=bytes.len());
                bytes.splice(to..to, part);
            }
            4 => bytes.truncate(at),
            5 => {
                let other = &seeds[rng.random_range(0..seeds.len())];
                let from = rng.random_range(0..=other.len());
                bytes.splice(at.., other[from..].iter().copied());
            }
            _ => {
                let part = SPLINTERS[rng.random_range(0..SPLINTERS.len())];
                let over = if rng.random() {
                    span.min(part.len())
                } else {
                    0
                };
                bytes.splice(at..at + over, part.iter().copied());
            }
        }
    }
    bytes
}

/// Lines of a seed that are kept: its head and some rows.
const SEED_LINES: usize = 24;

/// The files of a folder, long ones cut to their front and their end.
fn short_seeds() -> Vec<Vec<u8>> {
    let mut seeds = files_of("captures");
    seeds.extend(files_of("malformed"));
    seeds.extend(files_of("fuzz_corpus"));
    for seed in &mut seeds {
        let lines: Vec<&[u8]> = seed.split_inclusive(|byte| *byte == b'\n').collect();
        if seed.starts_with(b"RIFF") || lines.len() <= SEED_LINES {
            seed.truncate(2048);
            continue;
        }
        let end = lines.len() - 4;
        *seed = [&lines[..SEED_LINES - 4], &lines[end..]].concat().concat();
    }
    seeds
}

/// How much an input holds at most: rows of a block of a table, bytes of a recording's data.
#[derive(Clone, Copy)]
struct Extent {
    rows: usize,
    bytes: usize,
}

/// Enough for every rule of loading, and small.
const SMALL: Extent = Extent {
    rows: 14,
    bytes: 200,
};

fn input(rng: &mut ChaCha8Rng, seeds: &[Vec<u8>], most: Extent) -> Vec<u8> {
    let content = match rng.random_range(0..10) {
        0..5 => table::table(rng, most.rows),
        5..7 => recording::recording(rng, most.bytes),
        _ => return mutate(rng, seeds),
    };
    if rng.random_bool(0.3) {
        mutate(rng, &[content])
    } else {
        content
    }
}

fn random_options(rng: &mut ChaCha8Rng) -> LoadOptions {
    {
        let mut options = LoadOptions::default();
        options.sample_rate_hz = rng
            .random_bool(0.3)
            .then(|| [1e-6, 1000.0, 1e12][rng.random_range(0..3)]);
        options.scale = [1.0, 1.0, 1.0, -1e3, 1e300][rng.random_range(0..5)];
        options.full_scale_v = rng.random_bool(0.1).then_some(5.0);
        options.unit = rng.random_bool(0.1).then(|| "mV".to_string());
        options
    }
}

/// So many failing inputs end a run.
const FAILURES_MOST: usize = 10;

fn fuzz(seed: u64, runs: u64) {
    let seeds = short_seeds();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let started = Instant::now();
    let (mut sound, mut longest) = (0u64, Duration::ZERO);
    let mut failed: Vec<PathBuf> = Vec::new();
    for run in 0..runs {
        let content = input(&mut rng, &seeds, SMALL);
        let options = random_options(&mut rng);
        let clock = Clock::start();
        match std::panic::catch_unwind(|| check(&content, &options)) {
            Ok(read) => sound += u64::from(read),
            Err(_) => {
                let kept = data().join(format!("fuzz_corpus/fuzz_{seed}_{run}.bin"));
                std::fs::write(&kept, &content).unwrap();
                eprintln!("{} with {options:?}", kept.display());
                failed.push(kept);
            }
        }
        longest = longest.max(clock.took());
        if (run + 1) % 100_000 == 0 || failed.len() >= FAILURES_MOST {
            eprintln!(
                "{} inputs, {sound} read to the end, {} failed, longest {longest:?}, {:?}",
                run + 1,
                failed.len(),
                started.elapsed()
            );
        }
        if failed.len() >= FAILURES_MOST {
            break;
        }
    }
    assert!(
        failed.is_empty(),
        "{} of seed {seed} are kept: {failed:?}",
        failed.len()
    );
    // Most inputs are broken somewhere; too many of them would test the refusals alone.
    assert!(sound * 10 > runs, "only {sound} of {runs} were read");
}

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(otherwise)
}

#[test]
fn ten_thousand_inputs_make_no_panic_and_break_no_law() {
    fuzz(20_251_125, 10_000);
}

#[test]
#[ignore = "an hour of fuzzing; run after changes to the loader"]
fn millions_of_inputs_make_no_panic_and_break_no_law() {
    fuzz(
        from_environment("HUMSIEVE_FUZZ_SEED", 1),
        from_environment("HUMSIEVE_FUZZ_RUNS", 20_000_000),
    );
}

#[test]
fn files_that_once_failed_are_read_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("once_bad.csv");
    let corpus = files_of("fuzz_corpus");
    assert!(!corpus.is_empty());
    for content in corpus {
        std::fs::write(&path, content).unwrap();
        for (rate, scale) in [(None, 1.0), (Some(1000.0), 1.0), (Some(1e-6), 1e300)] {
            check_file(&path, &{
                let mut options = LoadOptions::default();
                options.sample_rate_hz = rate;
                options.scale = scale;
                options
            });
        }
    }
}

#[test]
fn a_header_that_claims_billions_of_samples_allocates_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("claim.wav");
    let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64".to_vec();
    bytes.extend(28u32.to_le_bytes());
    for size in [u64::MAX, u64::MAX, u64::MAX] {
        bytes.extend(size.to_le_bytes());
    }
    bytes.extend(0u32.to_le_bytes());
    bytes.extend(
        b"fmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data\xff\xff\xff\xff",
    );
    bytes.extend([1, 0, 2, 0, 3, 0]);
    std::fs::write(&path, bytes).unwrap();
    let sources = open(&path, &LoadOptions::default()).unwrap();
    assert_eq!(sources[0].header().frames, Some(3));
}

#[test]
fn a_line_of_fifty_megabytes_and_ten_thousand_columns_are_answered() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.csv");
    let options = LoadOptions::default().sample_rate_hz(1000.0);
    std::fs::write(&path, "0.125,".repeat(50_000_000 / 6)).unwrap();
    let sources = open(&path, &options).unwrap();
    assert_eq!(sources[0].header().frames, Some(50_000_000 / 6));
    drop(sources);
    std::fs::write(&path, vec![b'x'; 50_000_000]).unwrap();
    assert!(open(&path, &options).is_err());
    let row = vec!["0.5"; 10_000].join(",");
    let names: Vec<String> = (0..10_000).map(|n| format!("CH{n}")).collect();
    let table = format!("{}\n{}", names.join(","), format!("{row}\n").repeat(20));
    std::fs::write(&path, table).unwrap();
    let mut sources = open(&path, &options).unwrap();
    assert_eq!(sources[0].header().channels.len(), 10_000);
    assert_eq!(read(sources[0].as_mut(), 64).unwrap().len(), 200_000);
}

#[test]
fn a_header_that_claims_many_channels_takes_no_memory_for_them() {
    // 65,535 channels of 16 bits, one frame and a half.
    let block = 65_535 * 2u32;
    let mut content = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\xff\xff\x40\x1f\0\0\0\0\0\0".to_vec();
    content.extend((block as u16).to_le_bytes());
    content.extend(16u16.to_le_bytes());
    content.extend(b"data\0\0\0\0");
    content.resize(content.len() + 200_000, 1);
    // The bytes of such a frame cannot be told by the header's sixteen bits.
    assert!(bytes("claim", &content, &LoadOptions::default()).is_err());
    let channels = 32_767u16;
    content[22..24].copy_from_slice(&channels.to_le_bytes());
    content[32..34].copy_from_slice(&(channels * 2).to_le_bytes());
    let mut source = bytes("claim", &content, &LoadOptions::default())
        .unwrap()
        .remove(0);
    assert_eq!(source.header().frames, Some(3));
    let capture = humsieve::Capture::collect(source.as_mut()).unwrap();
    assert_eq!(capture.samples().dim(), (32_767, 3));
}

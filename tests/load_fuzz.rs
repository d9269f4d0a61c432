//! No bytes make the loader panic, run away or contradict itself.
//!
//! Good and bad files of `tests/data/` are mutated with a seeded generator and read; what is read must
//! be the same on a second reading, in blocks of any size, and without the fast path. Files that once
//! failed are kept in `tests/data/fuzz_corpus/` and read on every run.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

use humsieve::capture::FrameSource;
use humsieve::load::{LoadOptions, explain, open};
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
    assert!(header.time_base.sample_rate_hz.is_finite() && header.time_base.sample_rate_hz > 0.0);
    assert_eq!(header.frames, Some(bits[0].len() as u64));
    Ok(bits.concat())
}

fn check(path: &Path, options: &LoadOptions) {
    let started = Instant::now();
    let _ = explain(path, options);
    if let Ok(sources) = open(path, options) {
        let general = LoadOptions {
            general_only: true,
            ..options.clone()
        };
        let mut others = open(path, &general).unwrap();
        assert_eq!(sources.len(), others.len());
        for (mut source, other) in sources.into_iter().zip(&mut others) {
            let whole = read(source.as_mut(), 4096);
            let again = read(source.as_mut(), 13);
            assert_eq!(whole, again, "block sizes disagree");
            let general = read(other.as_mut(), 4096);
            assert_eq!(whole, general, "fast and general reading disagree");
        }
    }
    assert!(started.elapsed() < LONGEST, "{:?}", started.elapsed());
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

fn fuzz(seed: u64, time: Duration) {
    let mut seeds = files_of("captures");
    seeds.extend(files_of("malformed"));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mutated.csv");
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let started = Instant::now();
    let mut rounds = 0u64;
    while started.elapsed() < time {
        let bytes = mutate(&mut rng, &seeds);
        std::fs::write(&path, &bytes).unwrap();
        let options = LoadOptions {
            sample_rate_hz: rng.random_bool(0.3).then_some(1000.0),
            ..LoadOptions::default()
        };
        let outcome = std::panic::catch_unwind(|| check(&path, &options));
        if outcome.is_err() {
            let kept = std::env::temp_dir().join(format!("once_bad_{seed}_{rounds}.bin"));
            std::fs::write(&kept, &bytes).unwrap();
            panic!(
                "round {rounds} of seed {seed}: the file is kept as {}",
                kept.display()
            );
        }
        rounds += 1;
    }
    assert!(rounds > 100, "only {rounds} rounds");
}

#[test]
fn no_mutation_makes_the_loader_panic_in_four_seconds() {
    fuzz(20_251_125, Duration::from_secs(4));
}

#[test]
#[ignore = "two minutes of fuzzing; run after changes to the loader"]
fn no_mutation_makes_the_loader_panic_in_two_minutes() {
    let seed = std::env::var("HUMSIEVE_FUZZ_SEED")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(1);
    fuzz(seed, Duration::from_secs(120));
}

#[test]
fn files_that_once_failed_are_read_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("once_bad.csv");
    let corpus = files_of("fuzz_corpus");
    assert!(!corpus.is_empty());
    for bytes in corpus {
        std::fs::write(&path, bytes).unwrap();
        for rate in [None, Some(1000.0)] {
            check(
                &path,
                &LoadOptions {
                    sample_rate_hz: rate,
                    ..LoadOptions::default()
                },
            );
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
fn a_line_of_fifty_megabytes_and_ten_thousand_columns_are_answered_in_seconds() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.csv");
    let options = LoadOptions {
        sample_rate_hz: Some(1000.0),
        ..LoadOptions::default()
    };
    let started = Instant::now();
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
    assert!(
        started.elapsed() < Duration::from_secs(20),
        "{:?}",
        started.elapsed()
    );
}

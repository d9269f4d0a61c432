//! Long text read by several threads: the same samples, header, warnings and errors as by one.

use humsieve::load::{LoadOptions, open};
use ndarray::Array2;
use proptest::prelude::*;
use std::fmt::Write as _;
use std::path::Path;

/// Rows of 28 bytes or so: five mebibytes.
const ROWS: usize = 180_000;

/// What stands in front of a row.
#[derive(Debug, Clone, Copy)]
enum Oddity {
    Remark,
    Blank,
    /// The row's sample is missing.
    Hole,
    /// Times from here on are so many steps later.
    Gap(usize),
    /// Numbers of another shape.
    Wide,
    /// A cell that no reader takes.
    Fault,
}

fn text(oddities: &[(usize, Oddity)]) -> String {
    let mut text = String::from("time (s),volts (V),bridge (mV)\n");
    let mut late = 0;
    for n in 0..ROWS {
        let mut value = format!("{:.6e}", 1e-3 * (n as f64 * 0.37).sin());
        for (_, oddity) in oddities.iter().filter(|(row, _)| *row == n) {
            match oddity {
                Oddity::Remark => text.push_str("# paused\n"),
                Oddity::Blank => text.push('\n'),
                Oddity::Hole => value.clear(),
                Oddity::Gap(steps) => late += steps,
                Oddity::Wide => value = format!("{:.12}", 1e-3 * (n as f64).cos()),
                Oddity::Fault => value = "?7".into(),
            }
        }
        let time = (n + late) as f64 * 1e-5;
        writeln!(text, "{time:.5},{value},{:.3}", n as f64 * 0.01).unwrap();
    }
    text
}

/// Samples in blocks of each size in turn, header, warnings and the error, as text.
fn read(path: &Path, threads: usize, sizes: &[usize]) -> (Vec<u64>, String) {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    pool.install(|| {
        let mut source = open(path, &LoadOptions::default()).unwrap().remove(0);
        let channels = source.header().channels.len();
        let mut bits = Vec::new();
        for size in sizes.iter().cycle() {
            let mut block = Array2::zeros((channels, *size));
            let count = match source.read_block(&mut block) {
                Ok(0) => {
                    return (
                        bits,
                        format!("{:?} {:?}", source.header(), source.warnings()),
                    );
                }
                Ok(count) => count,
                Err(error) => return (bits, error.to_string()),
            };
            for frame in 0..count {
                bits.extend(block.column(frame).iter().map(|value| value.to_bits()));
            }
        }
        unreachable!()
    })
}

fn same_on_all_threads(oddities: &[(usize, Oddity)], sizes: &[usize]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.csv");
    std::fs::write(&path, text(oddities)).unwrap();
    let (samples, told) = read(&path, 1, sizes);
    let whole = told.starts_with("CaptureHeader");
    for threads in [3, 5] {
        let (others, other_told) = read(&path, threads, sizes);
        assert_eq!(other_told, told, "{threads} {oddities:?}");
        // Blocks read ahead have the size of the last one asked for: how much comes before an error may differ.
        let same = if whole {
            others == samples
        } else {
            others.iter().zip(&samples).all(|(a, b)| a == b)
        };
        assert!(same, "{threads} {oddities:?}");
    }
    told
}

#[test]
fn plain_rows_and_faults_are_those_of_one_thread() {
    let told = same_on_all_threads(&[], &[4096, 777]);
    assert!(told.contains("frames: Some(180000)"), "{told}");
    let told = same_on_all_threads(&[(150_000, Oddity::Fault)], &[10_000]);
    assert!(told.contains("line 150002"), "{told}");
}

fn oddity() -> impl Strategy<Value = Oddity> {
    prop_oneof![
        Just(Oddity::Remark),
        Just(Oddity::Blank),
        Just(Oddity::Hole),
        (1..200usize).prop_map(Oddity::Gap),
        Just(Oddity::Wide),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn rows_among_oddities_are_those_of_one_thread(
        oddities in prop::collection::vec((0..ROWS, oddity()), 0..40),
        sizes in prop::collection::vec(1..20_000usize, 1..4),
    ) {
        // Blocks of a few frames would make the test slow.
        let sizes: Vec<usize> = sizes.into_iter().map(|size| size.max(500)).collect();
        same_on_all_threads(&oddities, &sizes);
    }
}

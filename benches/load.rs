//! Reading text captures and recordings, block by block.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use std::fs;

fn load(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().unwrap();
    for ending in ["csv", "wav"] {
        for channels in [1, 4] {
            for frames in signal::lengths(1_000_000) {
                let path = if ending == "csv" {
                    signal::write_text(folder.path(), frames, channels)
                } else {
                    signal::write_wave(folder.path(), frames, channels)
                };
                let mut group = criterion.benchmark_group(format!("load/{ending}/{channels}"));
                group.sample_size(10);
                group.throughput(Throughput::ElementsAndBytes {
                    elements: (frames * channels) as u64,
                    bytes: fs::metadata(&path).unwrap().len(),
                });
                group.bench_function(frames.to_string(), |b| {
                    b.iter(|| assert_eq!(signal::read_through(&path), frames));
                });
                group.finish();
                fs::remove_file(path).unwrap();
            }
        }
    }
}

criterion_group!(benches, load);
criterion_main!(benches);

//! Whole measurements of captures in memory and of recordings.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humsieve::capture::MemorySource;
use humsieve::load::{LoadOptions, open};
use humsieve::{MeasureOptions, analysis};
use std::fs;

fn measure(criterion: &mut Criterion) {
    let options = MeasureOptions::default();
    for channels in [1, 4] {
        let mut group = criterion.benchmark_group(format!("measure/memory/{channels}"));
        group.sample_size(10);
        for frames in signal::lengths(1_000_000) {
            let capture = signal::capture(frames, channels);
            group.throughput(Throughput::Elements((frames * channels) as u64));
            group.bench_function(frames.to_string(), |b| {
                b.iter(|| analysis::measure(&mut MemorySource::new(&capture), &options).unwrap());
            });
        }
        group.finish();
    }
    let folder = tempfile::tempdir().unwrap();
    let mut group = criterion.benchmark_group("measure/wav/1");
    group.sample_size(10);
    for frames in signal::lengths(10_000_000) {
        let path = signal::write_wave(folder.path(), frames, 1);
        group.throughput(Throughput::ElementsAndBytes {
            elements: frames as u64,
            bytes: fs::metadata(&path).unwrap().len(),
        });
        group.bench_function(frames.to_string(), |b| {
            b.iter(|| {
                let mut sources = open(&path, &LoadOptions::default()).unwrap();
                analysis::measure(sources[0].as_mut(), &options).unwrap()
            });
        });
        fs::remove_file(path).unwrap();
    }
    group.finish();
}

criterion_group!(benches, measure);
criterion_main!(benches);

//! Taking the interference out, by record length.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humsieve::capture::{MemorySink, MemorySource};
use humsieve::separation::{SeparateOptions, separate};

fn separation(criterion: &mut Criterion) {
    let options = SeparateOptions::default();
    let mut group = criterion.benchmark_group("separate");
    group.sample_size(10);
    for frames in signal::lengths(1_000_000) {
        let capture = signal::capture(frames, 1);
        group.throughput(Throughput::ElementsAndBytes {
            elements: frames as u64,
            bytes: (frames * size_of::<f64>()) as u64,
        });
        group.bench_function(frames.to_string(), |b| {
            b.iter(|| {
                let mut sink = MemorySink::new();
                separate(&mut MemorySource::new(&capture), None, &options, &mut sink).unwrap()
            });
        });
    }
    group.finish();
}

criterion_group!(benches, separation);
criterion_main!(benches);

//! The comparison of measurements by number of captures a condition.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humsieve::capture::MemorySource;
use humsieve::comparison::{CompareOptions, compare};
use humsieve::{Condition, MeasureOptions, analysis};
use std::collections::BTreeMap;

fn comparison(criterion: &mut Criterion) {
    let capture = signal::capture(10_000, 1);
    let measured =
        analysis::measure(&mut MemorySource::new(&capture), &MeasureOptions::default()).unwrap();
    let options = CompareOptions::default();
    let mut group = criterion.benchmark_group("compare");
    group.sample_size(10);
    for captures in [1, 3, 30] {
        let all: BTreeMap<_, _> = [Condition::Baseline, Condition::Looped, Condition::Isolated]
            .into_iter()
            .map(|condition| (condition, vec![measured[0].clone(); captures]))
            .collect();
        group.throughput(Throughput::Elements(3 * captures as u64));
        group.bench_function(captures.to_string(), |b| {
            b.iter(|| compare(&all, &options).unwrap());
        });
    }
    group.finish();
}

criterion_group!(benches, comparison);
criterion_main!(benches);

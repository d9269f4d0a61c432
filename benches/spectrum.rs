//! The pieces an analysis is made of: decimation, density, transform at any frequency, taking hum out.
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

mod signal;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use humsieve::analysis::SeriesFit;
use humsieve::spectrum::{Decimator, Multitaper, Nudft};
use rustfft::num_complex::Complex64;
use std::hint::black_box;

const SAMPLES: usize = 1 << 16;

fn spectrum(criterion: &mut Criterion) {
    let samples: Vec<f64> = signal::samples(SAMPLES, 0).collect();
    let mut group = criterion.benchmark_group("spectrum");
    group.sample_size(20);
    group.throughput(Throughput::ElementsAndBytes {
        elements: SAMPLES as u64,
        bytes: (SAMPLES * size_of::<f64>()) as u64,
    });
    group.bench_function("decimation by 5", |b| {
        let mut decimator = Decimator::new(5);
        let mut output = Vec::new();
        b.iter(|| {
            output.clear();
            decimator.push(black_box(&samples), &mut output);
        });
    });
    for tapers in [1, 4] {
        group.bench_function(format!("density, {tapers} tapers"), |b| {
            let estimator = Multitaper::new(SAMPLES, tapers);
            b.iter(|| estimator.density(black_box(&samples), signal::RATE_HZ));
        });
    }
    group.bench_function("transform at any frequency", |b| {
        b.iter(|| Nudft::new(black_box(&samples)));
    });
    for orders in [1, 40] {
        let fit = SeriesFit {
            fundamental: 50.013 / signal::RATE_HZ,
            length: SAMPLES,
            offset: 0.0,
            drift: 0.0,
            harmonics: vec![Complex64::new(1e-3, 1e-4); orders],
        };
        group.bench_function(format!("taking out {orders} orders"), |b| {
            b.iter_batched_ref(
                || samples.clone(),
                |samples| fit.subtract_harmonics(samples),
                BatchSize::LargeInput,
            );
        });
    }
    group.finish();
    let transform = Nudft::new(&samples);
    criterion.bench_function("spectrum/value at one frequency", |b| {
        b.iter(|| transform.at(black_box(0.001_041_9)));
    });
}

criterion_group!(benches, spectrum);
criterion_main!(benches);

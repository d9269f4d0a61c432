//! Phasors of a residual on the model's mesh, by folding samples on the mains cycle.

use super::hum_model::HumModel;
use crate::spectrum::fft;
use rustfft::Fft;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::sync::Arc;

/// What one interval says of all orders: twice the sums of hat × residual × exp(-j 2π k φ), for the
/// falling and for the rising hat, and the hats' own inner products.
pub(crate) struct Folded<'a> {
    pub(crate) interval: usize,
    pub(crate) left: &'a [Complex64],
    pub(crate) right: &'a [Complex64],
    pub(crate) gram: [f64; 3],
}

/// Folds `residual` (weighted) interval by interval; phasors have the order for an index.
pub(crate) fn fold(
    model: &HumModel,
    residual: &[f64],
    weights: Option<&[f32]>,
    top: usize,
    mut visit: impl FnMut(Folded<'_>),
) {
    let size = (8 * top).next_power_of_two().max(64);
    let plan: Arc<dyn Fft<f64>> = fft::forward_complex(size);
    let mut scratch = vec![Complex64::default(); plan.get_inplace_scratch_len()];
    let mut bins = vec![Complex64::default(); size + 1];
    let (mut left, mut right) = (
        vec![Complex64::default(); top + 1],
        vec![Complex64::default(); top + 1],
    );
    // Linear sharing between two bins multiplies order k by sinc²(k/size).
    let correction: Vec<f64> = (0..=top)
        .map(|k| {
            let x = PI * k as f64 / size as f64;
            if k == 0 { 1.0 } else { (x / x.sin()).powi(2) }
        })
        .collect();
    for interval in 0..model.intervals() {
        bins.fill(Complex64::default());
        let (from, to) = (model.edges[interval], model.edges[interval + 1]);
        let advance = model.cycles_per_sample(interval);
        let start = model.phase[interval].rem_euclid(1.0);
        let per_sample = 1.0 / (to - from) as f64;
        let mut gram = [0.0; 3];
        for n in 0..to - from {
            let weight = weights.map_or(1.0, |w| f64::from(w[from + n]));
            if weight == 0.0 {
                continue;
            }
            let cycles = start + advance * n as f64;
            let at = (cycles - (cycles as i64) as f64) * size as f64;
            let i = (at as usize).min(size - 1);
            let share = at - i as f64;
            let rising = n as f64 * per_sample;
            let falling = 1.0 - rising;
            gram[0] += weight * falling * falling;
            gram[1] += weight * falling * rising;
            gram[2] += weight * rising * rising;
            let value = weight * residual[from + n];
            let pair = Complex64::new(value * falling, value * rising);
            bins[i] += pair * (1.0 - share);
            bins[i + 1] += pair * share;
        }
        let wrapped = bins[size];
        bins[0] += wrapped;
        plan.process_with_scratch(&mut bins[..size], &mut scratch);
        for k in 0..=top {
            let (a, b) = (bins[k], bins[(size - k) % size].conj());
            left[k] = (a + b) * correction[k];
            right[k] = (a - b) * Complex64::new(0.0, -1.0) * correction[k];
        }
        visit(Folded {
            interval,
            left: &left,
            right: &right,
            gram,
        });
    }
}

//! Another channel's hum, fitted to this one.

use super::fit::{FitSettings, Fitter};
use super::model::HumModel;
use super::sums::whole_sums;
use rustfft::num_complex::Complex64;

/// Fits the shape of another channel's hum, one complex factor an order, to `x`; keeps the orders that
/// stand out and returns the noise beside them.
pub(super) fn project(
    x: &[f64],
    missing: Option<Vec<f32>>,
    model: &mut HumModel,
    settings: &FitSettings,
) -> Vec<f64> {
    const ROUNDS: usize = 5;
    let shape = model.clone();
    let intervals = shape.intervals();
    let mut fitter = Fitter::new(x, missing, model, settings);
    let mut factors = vec![Complex64::default(); shape.orders.len()];
    let mut strengths = vec![0.0; shape.orders.len()];
    let mut noise = Vec::new();
    for round in 0..ROUNDS {
        *model = scaled(&shape, &factors);
        if round >= 2 && intervals > 8 {
            fitter.wary = true;
            fitter.down_weight(model);
        }
        let sums = fitter.sums(model);
        let (left, right) = whole_sums(model, &sums);
        let n = sums.orders;
        for o in 0..n {
            let (mut along, mut length) = (Complex64::default(), 0.0);
            for i in 0..shape.intervals() {
                let (a, b) = (shape.amplitude(o, i, i), shape.amplitude(o, i, i + 1));
                let [aa, ab, bb] = sums.gram(i, o);
                along += a.conj() * left[i * n + o] + b.conj() * right[i * n + o];
                length += aa * a.norm_sqr() + 2.0 * ab * (a.conj() * b).re + bb * b.norm_sqr();
            }
            factors[o] = if length > 0.0 {
                along / length
            } else {
                Complex64::default()
            };
            strengths[o] = factors[o].norm_sqr() * length / sums.noise[o];
        }
        noise = sums.noise;
    }
    // Expected to take in one in a thousand that is noise.
    for (factor, strength) in factors.iter_mut().zip(&strengths) {
        if *strength < 7.0 {
            *factor = Complex64::default();
        }
    }
    *model = scaled(&shape, &factors);
    let kept: Vec<bool> = factors.iter().map(|f| f.norm_sqr() > 0.0).collect();
    let pick = |values: &[Complex64]| -> Vec<Complex64> {
        values
            .iter()
            .zip(&kept)
            .filter(|(_, k)| **k)
            .map(|(v, _)| *v)
            .collect()
    };
    model.constants = model.constants.iter().map(|c| pick(c)).collect();
    let mut index = 0..;
    model
        .orders
        .retain(|_| index.next().is_some_and(|i| kept[i]));
    let mut index = 0..;
    model
        .deviations
        .retain(|_| index.next().is_some_and(|i| kept[i]));
    noise
        .iter()
        .zip(&kept)
        .filter(|(_, k)| **k)
        .map(|(v, _)| *v)
        .collect()
}

fn scaled(shape: &HumModel, factors: &[Complex64]) -> HumModel {
    let mut model = shape.clone();
    for constants in &mut model.constants {
        for (c, f) in constants.iter_mut().zip(factors) {
            *c *= f;
        }
    }
    for (deviation, f) in model.deviations.iter_mut().zip(factors) {
        for d in deviation.iter_mut() {
            *d *= f;
        }
    }
    model
}

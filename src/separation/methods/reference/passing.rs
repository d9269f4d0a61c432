//! Series passed on from references to a target.

use crate::separation::fit::HumModel;
use crate::separation::methods::channels::Part;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// What is left of `x` without the series of each of several references, as their parts say, and all of them by one factor an
/// order, which is given the order and its phase's turn in a sample, and a delay in common.
pub(super) fn without_each(
    x: &[f64],
    (parts, models): (&[Part], &[HumModel]),
    common: &dyn Fn(usize, f64) -> Complex64,
    delay: f64,
) -> Vec<f64> {
    let mut rest = x.to_vec();
    for (part, model) in parts.iter().zip(models) {
        let fundamental = match model.orders.is_empty() {
            true => continue,
            false => 2.0 * PI * model.cycles() / x.len() as f64,
        };
        let factor = |order: &usize| {
            let turn = fundamental * *order as f64;
            Complex64::from_polar(part.fit.gain, -turn * part.fit.delay) * common(*order, turn)
        };
        let factors: Vec<Complex64> = model.orders.iter().map(factor).collect();
        (_, rest) = later(&scaled(model, &factors), &rest, part.fit.delay + delay);
    }
    rest
}

/// A model with its changes later by a delay, and what it leaves of `x`, which says at which of the two samples next to the delay they
/// lie.
pub(super) fn later(model: &HumModel, x: &[f64], delay: f64) -> (HumModel, Vec<f64>) {
    let tried = [delay.floor(), delay.ceil()].map(|by| model.with_changes_later(by as i64));
    let rests = [&tried[0], &tried[1]].map(|model| {
        let mut rest = vec![0.0; x.len()];
        model.residual(x, &mut rest);
        rest
    });
    let bend = |rest: &[f64], i: usize| (rest[i] - 0.5 * (rest[i - 1] + rest[i + 1])).powi(2);
    let differing = |i: &usize| rests[0][*i] != rests[1][*i];
    let gained: f64 = (1..x.len().saturating_sub(1))
        .filter(differing)
        .map(|i| bend(&rests[0], i) - bend(&rests[1], i))
        .sum();
    let [early, late] = tried;
    let [of_early, of_late] = rests;
    if gained > 0.0 {
        (late, of_late)
    } else {
        (early, of_early)
    }
}

pub(super) fn scaled(shape: &HumModel, factors: &[Complex64]) -> HumModel {
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

//! Records of high rate: the fit is made on a decimated copy and laid on the record.

use super::course::Course;
use super::fitted::Fit;
use super::model::HumModel;
use super::settings::{ENOUGH_HZ, FitSettings};
use super::tracked::{Fitter, detect, fit, place_breaks};
use crate::spectrum::Decimator;

/// Samples that the decimator takes at once: it keeps a copy of them.
const BLOCK: usize = 1 << 14;
/// Intervals in which orders above the decimated copy's reach are looked for.
const LOOKED_AT: usize = 200;

/// Fits on a decimated copy; `None` where the rate is too low for that, or where orders stand out that the
/// copy does not carry.
pub(crate) fn fit_reduced(x: &[f64], course: &Course, settings: &FitSettings) -> Option<Fit> {
    let factor = (settings.rate_hz / ENOUGH_HZ) as usize;
    if factor < 2 {
        return None;
    }
    let mut decimator = Decimator::new(factor);
    let mut low = Vec::with_capacity(x.len() / factor + 1);
    for block in x.chunks(BLOCK) {
        decimator.push(block, &mut low);
    }
    let rate = settings.rate_hz / factor as f64;
    let carried = (0.25 * rate / (1.01 * course.nominal_hz)) as usize;
    let below_nyquist = (0.49 * settings.rate_hz / course.nominal_hz) as usize;
    let asked = settings.highest_order.min(below_nyquist);
    let mut fitted = fit(
        &low,
        None,
        course,
        &FitSettings {
            rate_hz: rate,
            highest_order: asked.min(carried),
            protect_hz: settings.protect_hz.clone(),
        },
    );
    if fitted.model.orders.is_empty() {
        return Some(fitted);
    }
    let first = decimator.first_centre() as usize;
    fitted.lay_on((factor, first), x.len(), |nu| decimator.gain(nu));
    fitted.lines.iter_mut().for_each(|nu| *nu /= factor as f64);
    if asked > carried && reaches_higher(x, &fitted.model, carried, asked, settings) {
        return None;
    }
    if fitted.model.constants.len() > 1 {
        place_breaks(&mut fitted.model, x, None);
    }
    Some(fitted)
}

/// Whether orders above `carried` stand out in the record's first intervals.
fn reaches_higher(
    x: &[f64],
    model: &HumModel,
    carried: usize,
    asked: usize,
    settings: &FitSettings,
) -> bool {
    let count = model.intervals().min(LOOKED_AT);
    let part = HumModel {
        edges: model.edges[..=count].to_vec(),
        phase: model.phase[..=count].to_vec(),
        piece: model.piece[..count].to_vec(),
        gain: model.gain[..=count].to_vec(),
        deviations: model
            .deviations
            .iter()
            .map(|d| d.iter().take(count + 1).copied().collect())
            .collect(),
        ..model.clone()
    };
    let settings = FitSettings {
        highest_order: asked,
        ..settings.clone()
    };
    let mut fitter = Fitter::new(&x[..part.edges[count]], None, &part, settings.rate_hz);
    let found = detect(&part, fitter.residual(&part), None, &settings);
    found.orders.iter().any(|k| *k > carried)
}

#[cfg(test)]
mod tests {
    use crate::separation::{HarmonicOptions, harmonic};
    use rand::{RngExt as _, SeedableRng as _};
    use rand_chacha::ChaCha8Rng;
    use std::f64::consts::PI;

    fn record(rate: f64, seconds: f64, orders: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let mut rng = ChaCha8Rng::seed_from_u64(20_261_125);
        let hum: Vec<f64> = (0..(rate * seconds) as usize)
            .map(|i| {
                let phase = 2.0 * PI * 50.013 * i as f64 / rate;
                orders.iter().map(|k| (k * phase + k).cos() / k).sum()
            })
            .collect();
        let whole = hum
            .iter()
            .map(|h| h + 0.01 * (rng.random::<f64>() - 0.5))
            .collect();
        (whole, hum)
    }

    fn left_over(orders: &[f64]) -> f64 {
        let (whole, hum) = record(48_000.0, 4.0, orders);
        let parts = harmonic(&whole, 48_000.0, &HarmonicOptions::default()).unwrap();
        let squares = parts
            .interference
            .iter()
            .zip(&hum)
            .map(|(a, b)| (a - b).powi(2));
        (squares.sum::<f64>() / hum.len() as f64).sqrt()
    }

    /// The noise's own limit: sqrt(2 orders + 1) of 192 000 samples of 2.9 mV is 20 microvolts.
    #[test]
    fn a_decimated_fit_takes_out_what_the_record_holds() {
        let left = left_over(&[1.0, 3.0, 5.0, 20.0]);
        assert!(left < 4e-5, "{left}");
    }

    #[test]
    fn orders_above_the_decimated_copy_are_taken_out_as_well() {
        let left = left_over(&[1.0, 3.0, 5.0, 90.0, 150.0]);
        assert!(left < 4e-5, "{left}");
    }
}

//! Orders that do not guide the tracks: their amplitudes given the tracks, all at once.

use super::model::Model;
use super::record::Record;
use crate::numeric::Cholesky;
use rustfft::num_complex::Complex64;

/// Least-squares amplitudes of `orders` riding on the model's phase and gain in what the model leaves.
///
/// Products of two orders are sums over the record of (1 + μ)²·exp(j·d·θ), so that one pass serves all pairs.
pub(super) fn amplitudes(
    record: &Record,
    model: &Model,
    residual: &[f64],
    orders: &[usize],
) -> Option<Vec<Complex64>> {
    let Some(&highest) = orders.iter().max() else {
        return Some(Vec::new());
    };
    let mut sums = vec![Complex64::default(); 2 * highest + 1];
    let mut projections = vec![Complex64::default(); highest + 1];
    for (i, (r, &trust)) in residual.iter().zip(&record.trust).enumerate() {
        let t = record.time_s(i);
        let gain = model.gain(t);
        let turn = Complex64::cis(model.angle(t));
        let mut power = Complex64::new(trust * gain, 0.0);
        for (projection, sum) in projections.iter_mut().zip(&mut sums) {
            *projection += power.conj() * r;
            *sum += power * gain;
            power *= turn;
        }
        for sum in &mut sums[highest + 1..] {
            *sum += power * gain;
            power *= turn;
        }
    }
    let size = 2 * orders.len();
    let mut matrix = vec![0.0; size * size];
    let mut right = vec![0.0; size];
    for (i, &k) in orders.iter().enumerate() {
        right[2 * i] = projections[k].re;
        right[2 * i + 1] = projections[k].im;
        for (j, &l) in orders.iter().enumerate().skip(i) {
            // Columns cos kθ and −sin kθ against those of l ≥ k or below.
            let (sum, below) = (sums[k + l], sums[k.abs_diff(l)]);
            let difference = if k >= l { below } else { below.conj() };
            let entries = [
                [difference.re + sum.re, difference.im - sum.im],
                [-difference.im - sum.im, difference.re - sum.re],
            ];
            for (a, row) in entries.iter().enumerate() {
                for (b, value) in row.iter().enumerate() {
                    matrix[(2 * i + a) * size + 2 * j + b] = 0.5 * value;
                }
            }
        }
    }
    Cholesky::of_upper(size, matrix)?.solve(&mut right);
    Some(
        right
            .as_chunks::<2>()
            .0
            .iter()
            .map(|c| Complex64::new(c[0], c[1]))
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::super::mesh::Mesh;
    use super::super::model::{GAIN, PHASE};
    use super::super::record::TrackInput;
    use super::*;
    use approx::assert_relative_eq;

    /// Three and a third cycles of orders 2, 3 and 7 with a gain and a phase that move: exact.
    #[test]
    fn amplitudes_are_exact_without_noise() {
        let rate_hz = 5000.0;
        let samples = vec![0.0; 333];
        let input = TrackInput {
            samples: &samples,
            weights: None,
            rate_hz,
            fundamental_hz: 50.0,
            orders: 7,
            tones_hz: &[],
        };
        let record = Record::new(&input);
        let mut model = Model::new(Mesh::new(record.duration_s, 3.33), 50.1, &[]);
        for i in 0..model.mesh.coefficients() {
            model.tracks[PHASE][i] = 0.1 * (i as f64).sin();
            model.tracks[GAIN][i] = 0.2 * (i as f64).cos();
        }
        let truth = [(2, 1.0, 0.5), (3, -0.3, 2.0), (7, 0.01, -0.02)];
        let mut whole = model.clone();
        whole.set_orders(truth.iter().map(|t| t.0).collect());
        whole.amplitudes = truth.iter().map(|t| Complex64::new(t.1, t.2)).collect();
        let x: Vec<f64> = record.each(|t, _| whole.series_at(t)).collect();
        let found = amplitudes(&record, &model, &x, &whole.orders).unwrap();
        for (got, want) in found.iter().zip(&whole.amplitudes) {
            assert_relative_eq!(got.re, want.re, epsilon = 1e-10);
            assert_relative_eq!(got.im, want.im, epsilon = 1e-10);
        }
    }
}

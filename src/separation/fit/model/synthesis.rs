//! The hum of a model with steady amplitudes, played from tables of one cycle.

use super::hum_model::HumModel;
use crate::numeric::vectorised;
use crate::spectrum::fft;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Samples that are played from one place of the tables.
const RUN: usize = 64;
/// Farthest from a table's place, samples.
const FARTHEST: f64 = 0.4;

/// Waveform and its first three derivatives (over n!), at every sample of a cycle from `parts` starts between
/// two samples: Taylor's series about the nearest of them.
struct Tables {
    parts: usize,
    /// Samples of a cycle, and of a table, which goes on for a run.
    length: usize,
    /// Tables by part and derivative.
    tables: Vec<[Vec<f64>; 4]>,
}

impl Tables {
    fn new(model: &HumModel, piece: usize, length: usize) -> Option<Self> {
        let highest = model.orders.iter().copied().max()?;
        // An argument of at most 0.2 about the nearest start: the series' next term is 7e-5 of that order.
        let parts = if 8 * highest <= length { 4 } else { 16 };
        let size = parts * length;
        if 2 * highest >= size {
            return None;
        }
        let inverse = fft::inverse(size);
        let mut spectrum = inverse.make_input_vec();
        let mut wave = inverse.make_output_vec();
        let mut tables = vec![[const { Vec::new() }; 4]; parts];
        for derivative in 0..4 {
            spectrum.fill(Complex64::default());
            for (&order, a) in model.orders.iter().zip(&model.constants[piece]) {
                let turn = Complex64::new(0.0, 2.0 * PI * order as f64 / length as f64);
                let factor = [1.0, 1.0, 0.5, 1.0 / 6.0][derivative];
                spectrum[order] = 0.5 * factor * a * turn.powu(derivative as u32);
            }
            inverse.process(&mut spectrum, &mut wave).ok()?;
            for (part, tables) in tables.iter_mut().enumerate() {
                let mut cycle = Vec::with_capacity(length + RUN);
                cycle.extend(wave.iter().skip(part).step_by(parts));
                while cycle.len() < length + RUN {
                    let more = (length + RUN - cycle.len()).min(length);
                    cycle.extend_from_within(..more);
                }
                tables[derivative] = cycle;
            }
        }
        Some(Self {
            parts,
            length,
            tables,
        })
    }

    /// Puts the hum into `out`, from `phase` (cycles) on, `advance` a sample.
    #[inline(always)]
    fn play(&self, out: &mut [f64], phase: f64, advance: f64) -> bool {
        let length = self.length as f64;
        let parts = self.parts as f64;
        let drift = advance * length - 1.0;
        let mut farthest = 0.0f64;
        let places: &[f64; RUN] = &std::array::from_fn(|i| i as f64);
        for (run, out) in out.chunks_mut(RUN).enumerate() {
            let cycles = phase + advance * (run * RUN) as f64;
            let at = (cycles - cycles.floor()) * length;
            // The run's middle lies on a start.
            let middle = 0.5 * drift * out.len() as f64;
            let place = ((at + middle) * parts).round().max(0.0);
            let start = place as usize;
            let from = (start / self.parts) % self.length;
            let [t0, t1, t2, t3] = &self.tables[start % self.parts];
            let range = from..from + out.len();
            let off = at - place / parts;
            farthest = farthest.max(off.abs()).max((off + 2.0 * middle).abs());
            let tables = (
                &t0[range.clone()],
                &t1[range.clone()],
                &t2[range.clone()],
                &t3[range],
            );
            let places = out.iter_mut().zip(places).zip(tables.0);
            for ((((value, place), t0), (t1, t2)), t3) in
                places.zip(tables.1.iter().zip(tables.2)).zip(tables.3)
            {
                let d = off + drift * place;
                *value = t0 + d * (t1 + d * (t2 + d * t3));
            }
        }
        farthest < FARTHEST
    }
}

/// Puts the model's hum into `out`, of the record's length; returns whether it could: orders that vary on their
/// own, and a frequency far from its mean, need the general way.
pub(crate) fn play(model: &HumModel, out: &mut [f64]) -> bool {
    if model.deviations.iter().any(|d| !d.is_empty()) {
        return false;
    }
    let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
    let length = (out.len() as f64 / cycles).round() as usize;
    if length < 8 {
        return false;
    }
    let tables: Option<Vec<Tables>> = (0..model.constants.len())
        .map(|piece| Tables::new(model, piece, length))
        .collect();
    let Some(tables) = tables else {
        return false;
    };
    vectorised(
        #[inline(always)]
        || {
            (0..model.intervals()).all(|interval| {
                let part = &mut out[model.edges[interval]..model.edges[interval + 1]];
                let advance = model.cycles_per_sample(interval);
                let well = tables[model.piece[interval]].play(part, model.phase[interval], advance);
                let (from, to) = (model.gain[interval], model.gain[interval + 1]);
                if from != 1.0 || to != 1.0 {
                    let step = (to - from) / part.len() as f64;
                    for (i, value) in part.iter_mut().enumerate() {
                        *value *= from + step * i as f64;
                    }
                }
                well
            })
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_play_what_the_series_says() {
        for highest in [11usize, 100, 300] {
            let orders = vec![1, 3, highest];
            let constants: Vec<Complex64> = (1..=3)
                .map(|k| Complex64::from_polar(1.0 / f64::from(k), f64::from(k)))
                .collect();
            let edges: Vec<usize> = (0..=20).map(|i| i * 1919).collect();
            let phase: Vec<f64> = edges
                .iter()
                .map(|e| 0.3 + *e as f64 / 959.7 + 1e-3 * (*e as f64 / 5000.0).sin())
                .collect();
            let model = HumModel {
                piece: vec![0; 20],
                gain: edges.iter().map(|e| 1.0 + 1e-6 * *e as f64).collect(),
                constants: vec![constants],
                deviations: vec![Vec::new(); 3],
                edges,
                phase,
                orders,
            };
            let mut played = vec![0.0; 20 * 1919];
            assert!(play(&model, &mut played));
            let zeros = vec![0.0; played.len()];
            let mut general = zeros.clone();
            model.residual(&zeros, &mut general);
            let worst = played
                .iter()
                .zip(&general)
                .fold(0.0f64, |w, (a, b)| w.max((a + b).abs()));
            // A third of an amplitude: tables to 7e-5 of it, the general way to 4e-5.
            assert!(worst < 4e-5, "{highest}: {worst}");
        }
    }
}

//! A copy of a record at a lower rate, made in two steps.

use crate::numeric::vectorised;
use crate::spectrum::{low_pass, low_pass_gain};

/// What a filter of 80 dB of stop band needs: length times transition, cycles.
const LENGTH: f64 = 5.02;
const LANES: usize = 8;

/// Low-passes that keep the lower quarter of the last rate clean.
pub(crate) struct LowRate {
    steps: Vec<Step>,
}

struct Step {
    factor: usize,
    /// Taps, filled up with zeros to a whole number of lanes.
    taps: Vec<[f64; LANES]>,
    length: usize,
}

impl LowRate {
    /// Lowers by `factor`, 2 or more.
    pub(crate) fn new(factor: usize) -> Self {
        let (first, second) = if factor > 4 && factor.is_multiple_of(4) {
            (4, factor / 4)
        } else {
            (factor, 1)
        };
        // Cycles per sample of the rate in front of the step.
        let clean = 0.25 / factor as f64;
        let mut steps = vec![Step::new(first, clean)];
        if second > 1 {
            steps.push(Step::new(second, clean * first as f64));
        }
        Self { steps }
    }

    /// Place of the first sample of the copy in the record.
    pub(crate) fn first_centre(&self) -> usize {
        let mut centre = 0;
        let mut factor = 1;
        for step in &self.steps {
            centre += factor * (step.length / 2);
            factor *= step.factor;
        }
        centre
    }

    /// Gain at ν cycles per sample of the record.
    pub(crate) fn gain(&self, cycles_per_sample: f64) -> f64 {
        let mut nu = cycles_per_sample;
        let mut gain = 1.0;
        for step in &self.steps {
            gain *= step.gain(nu);
            nu *= step.factor as f64;
        }
        gain
    }

    /// The copy.
    pub(crate) fn apply(&self, x: &[f64]) -> Vec<f64> {
        let mut steps = self.steps.iter();
        let mut low = steps
            .next()
            .map_or_else(|| x.to_vec(), |step| step.apply(x));
        for step in steps {
            low = step.apply(&low);
        }
        low
    }
}

impl Step {
    fn new(factor: usize, clean: f64) -> Self {
        let needed = LENGTH / (1.0 / factor as f64 - 2.0 * clean);
        // Whole lanes less one tap, an odd number; half a tap on either side is not missed.
        let lanes = ((needed - 1.5) / LANES as f64).ceil().max(1.0);
        let length = lanes as usize * LANES - 1;
        let mut taps = low_pass(length, factor);
        taps.resize(length.next_multiple_of(LANES), 0.0);
        Self {
            factor,
            taps: taps.as_chunks::<LANES>().0.to_vec(),
            length,
        }
    }

    fn gain(&self, cycles_per_sample: f64) -> f64 {
        low_pass_gain(&self.taps.as_flattened()[..self.length], cycles_per_sample)
    }

    fn apply(&self, x: &[f64]) -> Vec<f64> {
        let count = (x.len() + self.factor).saturating_sub(self.length) / self.factor;
        let mut low = vec![0.0; count];
        vectorised(
            #[inline(always)]
            || {
                for (m, out) in low.iter_mut().enumerate() {
                    let from = m * self.factor;
                    let window = &x[from..(from + self.taps.len() * LANES).min(x.len())];
                    let (chunks, rest) = window.as_chunks::<LANES>();
                    let mut lanes = [0.0; LANES];
                    for (taps, values) in self.taps.iter().zip(chunks) {
                        for ((lane, t), v) in lanes.iter_mut().zip(taps).zip(values) {
                            *lane += t * v;
                        }
                    }
                    // Of the last samples only: what is missing meets taps that are 0.
                    if let Some(taps) = self.taps.get(chunks.len()) {
                        for ((lane, t), v) in lanes.iter_mut().zip(taps).zip(rest) {
                            *lane += t * v;
                        }
                    }
                    *out = lanes.iter().sum();
                }
            },
        );
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn passes_the_lower_quarter_and_stops_its_aliases() {
        for factor in [2, 3, 4, 6, 8, 12, 16, 64] {
            let low = LowRate::new(factor);
            let out = 1.0 / factor as f64;
            for i in 0..=25 {
                let nu = 0.01 * f64::from(i) * out;
                assert!(low.gain(nu) > 0.9, "factor {factor}, {nu}");
                for alias in 1..factor {
                    for nu in [alias as f64 * out - nu, alias as f64 * out + nu] {
                        assert!(low.gain(nu).abs() < 3e-4, "factor {factor}, alias {nu}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_slow_cosine_comes_out_where_it_stands() {
        let nu = 0.004;
        let x: Vec<f64> = (0..2000)
            .map(|i| (2.0 * PI * nu * f64::from(i)).cos())
            .collect();
        for factor in [3, 4, 8, 16] {
            let low = LowRate::new(factor);
            let copy = low.apply(&x);
            let gain = low.gain(nu);
            for (m, v) in copy.iter().enumerate() {
                let at = (low.first_centre() + m * factor) as f64;
                assert!(
                    (v - gain * (2.0 * PI * nu * at).cos()).abs() < 1e-3,
                    "{factor} {m}"
                );
            }
            assert!(low.first_centre() + copy.len() * factor + low.first_centre() >= x.len());
        }
    }
}

//! A fitted series, and its harmonics taken out of samples.

use crate::numeric::vectorised;
use crate::spectrum::fft;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Up to this many orders a series is summed order by order; the harmonics of more share a finely divided cycle
/// that is read off by cubic interpolation.
const MOST_BY_BLOCKS: usize = 64;
const SIXTH: f64 = 1.0 / 6.0;

/// Fitted offset, drift and harmonics of one record.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesFit {
    /// Fundamental, cycles per sample.
    pub fundamental: f64,
    /// Samples fitted.
    pub length: usize,
    /// Value of the straight line at the record's middle.
    pub offset: f64,
    /// Change of the straight line from the middle to the end.
    pub drift: f64,
    /// Complex peak amplitudes of orders 1, 2, ..: harmonic k is Re(c·exp(j2πkνm)).
    pub harmonics: Vec<Complex64>,
}

impl SeriesFit {
    /// Mean square of the modelled harmonics.
    #[must_use]
    pub fn power(&self) -> f64 {
        0.5 * self.harmonics.iter().map(Complex64::norm_sqr).sum::<f64>()
    }

    /// Takes the harmonics, not offset and drift, out of the record's samples.
    pub fn subtract_harmonics(&self, samples: &mut [f64]) {
        let middle = 0.5 * (self.length as f64 - 1.0);
        if self.harmonics.len() <= MOST_BY_BLOCKS {
            subtract_by_blocks(samples, self.fundamental, middle, &self.harmonics);
            return;
        }
        let table = CycleTable::new(&self.harmonics);
        for (n, sample) in samples.iter_mut().enumerate() {
            *sample -= table.at(self.fundamental * (n as f64 - middle));
        }
    }

    /// The whole model, offset and drift included, at sample `n` of the record.
    #[must_use]
    pub fn value_at(&self, n: usize) -> f64 {
        let m = n as f64 - 0.5 * (self.length as f64 - 1.0);
        let hum: f64 = self
            .harmonics
            .iter()
            .enumerate()
            .map(|(i, c)| {
                (c * Complex64::cis(2.0 * PI * (self.fundamental * (i + 1) as f64 * m).fract())).re
            })
            .sum();
        self.offset + self.drift * 2.0 * m / self.length as f64 + hum
    }
}

/// Half of a block's samples.
const HALF: usize = 32;
/// Places of them that are summed together.
const TOGETHER: usize = 16;
/// Blocks after which the phases are told anew, so that rounding does not add up.
const TOLD_ANEW: usize = 64;

/// Takes a series out block by block: about a block's middle its even part is Σ aₖcos(kωd) and its odd part
/// Σ bₖsin(kωd), from the same sines and cosines in all blocks.
fn subtract_by_blocks(samples: &mut [f64], nu: f64, middle: f64, harmonics: &[Complex64]) {
    let orders = harmonics.len();
    // The cosines and sines of all orders at d = ½, 3/2, ..
    let mut waves = vec![([0.0; HALF], [0.0; HALF]); orders];
    for d in 0..HALF {
        let turn = Complex64::cis(2.0 * PI * nu * (d as f64 + 0.5));
        let mut phasor = turn;
        for (cosines, sines) in &mut waves {
            (cosines[d], sines[d]) = (phasor.re, phasor.im);
            phasor *= turn;
        }
    }
    let turn_at = |place: f64, k: usize| Complex64::cis(2.0 * PI * (nu * k as f64 * place).fract());
    let steps: Vec<Complex64> = (1..=orders)
        .map(|k| turn_at(2.0 * HALF as f64, k))
        .collect();
    let mut phasors = vec![Complex64::default(); orders];
    vectorised(
        #[inline(always)]
        || {
            for (b, block) in samples.chunks_mut(2 * HALF).enumerate() {
                if b % TOLD_ANEW == 0 {
                    let place = (2 * b * HALF) as f64 + HALF as f64 - 0.5 - middle;
                    for (i, (phasor, c)) in phasors.iter_mut().zip(harmonics).enumerate() {
                        *phasor = c * turn_at(place, i + 1);
                    }
                }
                let (mut even, mut odd) = ([0.0; HALF], [0.0; HALF]);
                let (evens, _) = even.as_chunks_mut::<TOGETHER>();
                let (odds, _) = odd.as_chunks_mut::<TOGETHER>();
                for (part, (even, odd)) in evens.iter_mut().zip(odds).enumerate() {
                    // Sums that stay in vector registers through all orders.
                    let (mut own_even, mut own_odd) = ([0.0; TOGETHER], [0.0; TOGETHER]);
                    for (phasor, (cosines, sines)) in phasors.iter().zip(&waves) {
                        let (cosines, sines) = (
                            &cosines.as_chunks::<TOGETHER>().0[part],
                            &sines.as_chunks::<TOGETHER>().0[part],
                        );
                        for i in 0..TOGETHER {
                            own_even[i] += phasor.re * cosines[i];
                            own_odd[i] -= phasor.im * sines[i];
                        }
                    }
                    (*even, *odd) = (own_even, own_odd);
                }
                let mut wave = [0.0; 2 * HALF];
                for i in 0..HALF {
                    wave[HALF + i] = even[i] + odd[i];
                    wave[HALF - 1 - i] = even[i] - odd[i];
                }
                for (sample, w) in block.iter_mut().zip(&wave) {
                    *sample -= w;
                }
                for (phasor, step) in phasors.iter_mut().zip(&steps) {
                    *phasor *= step;
                }
            }
        },
    );
}

/// One cycle of a harmonic series, finely divided.
#[derive(Debug, Clone)]
struct CycleTable {
    values: Vec<f64>,
    divisions: f64,
}

impl CycleTable {
    /// Sums the series over one cycle.
    fn new(harmonics: &[Complex64]) -> Self {
        // 128 divisions a period of the highest order: cubic interpolation is good to 1e-7 of it.
        let divisions = (128 * harmonics.len().max(1)).next_power_of_two().max(1024);
        let plan = fft::inverse(divisions);
        let mut spectrum = plan.make_input_vec();
        for (slot, c) in spectrum.iter_mut().skip(1).zip(harmonics) {
            *slot = 0.5 * c;
        }
        let mut cycle = plan.make_output_vec();
        if plan.process(&mut spectrum, &mut cycle).is_err() {
            cycle.fill(0.0);
        }
        // One value before and four behind, so that interpolation needs no wrapping.
        let mut values = Vec::with_capacity(divisions + 5);
        values.push(cycle[divisions - 1]);
        values.extend_from_slice(&cycle);
        values.extend_from_slice(&cycle[..4]);
        Self {
            values,
            divisions: divisions as f64,
        }
    }

    /// The series at a phase of its fundamental, in cycles.
    fn at(&self, cycles: f64) -> f64 {
        // The part of a cycle, without a call for floor.
        let part = cycles - cycles as i64 as f64;
        let part = if part < 0.0 { part + 1.0 } else { part };
        let position = part * self.divisions;
        let index = position as usize;
        let t = position - index as f64;
        match self.values.get(index..index + 4) {
            Some(&[a, b, c, d]) => {
                // Lagrange through four neighbours.
                let (tp, tm, t2) = (t + 1.0, t - 1.0, t - 2.0);
                (d * tp - a * t2) * (t * tm * SIXTH) + (b * tm - c * t) * (tp * t2 * 0.5)
            }
            _ => 0.0,
        }
    }
}

//! Phasors of a residual on the model's mesh, from transforms of its moments: every sample goes to the nearest place of
//! one table of a cycle, and powers of time make up for what the phase has moved by there.

use super::hum_model::HumModel;
use super::sums::Sums;
use crate::numeric::vectorised;
use crate::spectrum::fft;
use rustfft::Fft;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::sync::Arc;

/// Farthest from its place in the table that the highest order's phase may be at an interval's ends, rad; and up to where powers
/// of time to the second suffice.
///
/// With x = −1 to 1 over the interval and φ that distance, exp(−jφx) is its series to the fourth power of x, the next two by way
/// of Chebyshev's polynomials: off by φ⁵/1920 and φ⁷/5040, 2·10⁻⁴ at most. To the second it is off by φ³/24, 3·10⁻⁴ at
/// most.
const FARTHEST: f64 = 0.8;
const NEAR: f64 = 0.19;
const LANES: usize = 8;

/// What intervals of one length share.
struct Length {
    samples: usize,
    /// Powers of time at each sample: to the zeroth, to the first, ..
    powers: Vec<Vec<f64>>,
    /// The hats' inner products where every sample counts in full.
    gram: [f64; 3],
}

impl Length {
    fn new(samples: usize, pairs: usize) -> Self {
        let per_sample = 1.0 / samples as f64;
        let mut gram = [0.0; 3];
        for n in 0..samples {
            let rising = n as f64 * per_sample;
            let falling = 1.0 - rising;
            gram[0] += falling * falling;
            gram[1] += falling * rising;
            gram[2] += rising * rising;
        }
        let powers = (0..2 * pairs as i32)
            .map(|power| {
                (0..samples)
                    .map(|n| (2.0 * n as f64 * per_sample - 1.0).powi(power))
                    .collect()
            })
            .collect();
        Self {
            samples,
            powers,
            gram,
        }
    }
}

/// The hats' inner products under weights.
#[inline(always)]
fn gram_of(weights: &[f32]) -> [f64; 3] {
    let per_sample = 1.0 / weights.len() as f64;
    let mut lanes = [[0.0; LANES]; 3];
    let mut add = |lane: usize, n: usize, weight: f32| {
        let weight = f64::from(weight);
        let rising = f64::from(n as i32) * per_sample;
        let falling = 1.0 - rising;
        lanes[0][lane] += weight * falling * falling;
        lanes[1][lane] += weight * falling * rising;
        lanes[2][lane] += weight * rising * rising;
    };
    let (chunks, rest) = weights.as_chunks::<LANES>();
    for (c, chunk) in chunks.iter().enumerate() {
        for (lane, weight) in chunk.iter().enumerate() {
            add(lane, c * LANES + lane, *weight);
        }
    }
    for (i, weight) in rest.iter().enumerate() {
        add(0, chunks.len() * LANES + i, *weight);
    }
    lanes.map(|l| l.iter().sum())
}

/// Sums over cycles of values times their powers of time.
#[inline(always)]
fn add_cycles(sums: &mut [f64], values: &[f64], powers: &[f64]) {
    let cycle = sums.len();
    sums.fill(0.0);
    for (values, powers) in values.chunks(cycle).zip(powers.chunks(cycle)) {
        for ((sum, value), power) in sums.iter_mut().zip(values).zip(powers) {
            *sum += value * power;
        }
    }
}

/// The series of exp(−jφx) in x: real parts of the even powers, imaginary parts of the odd ones.
fn series(phi: f64, pairs: usize) -> [f64; 5] {
    let square = phi * phi;
    if pairs == 2 {
        return [
            1.0 - square * square / 192.0,
            phi * (square / 8.0 - 1.0),
            square * (square / 24.0 - 0.5),
            0.0,
            0.0,
        ];
    }
    let fourth = square * square;
    [
        1.0 - fourth * square / 23_040.0,
        phi * (fourth / 384.0 - 1.0),
        square * (fourth / 1280.0 - 0.5),
        phi * square * (1.0 / 6.0 - square / 96.0),
        fourth * (1.0 / 24.0 - square / 480.0),
    ]
}

/// One interval's moments and their transforms.
struct Moments {
    pairs: usize,
    plan: Arc<dyn Fft<f64>>,
    /// Sums over cycles of residual times each power of time.
    sums: Vec<Vec<f64>>,
    /// Two of them as real and imaginary part, one pair after the other, and then their transforms.
    tables: Vec<Complex64>,
    scratch: Vec<Complex64>,
    weighted: Vec<f64>,
    lengths: Vec<Length>,
}

impl Moments {
    fn new(cycle: usize, pairs: usize) -> Self {
        let plan = fft::forward_complex(cycle);
        Self {
            pairs,
            sums: vec![vec![0.0; cycle]; 2 * pairs],
            tables: vec![Complex64::default(); cycle * pairs],
            scratch: vec![Complex64::default(); plan.get_inplace_scratch_len()],
            plan,
            weighted: Vec::new(),
            lengths: Vec::new(),
        }
    }

    /// Transforms the moments of an interval; gives the hats' inner products.
    fn take(&mut self, residual: &[f64], weights: Option<&[f32]>) -> [f64; 3] {
        let samples = residual.len();
        let known = self.lengths.iter().position(|l| l.samples == samples);
        let index = known.unwrap_or_else(|| {
            self.lengths.push(Length::new(samples, self.pairs));
            self.lengths.len() - 1
        });
        let length = &self.lengths[index];
        let (sums, tables, weighted) = (&mut self.sums, &mut self.tables, &mut self.weighted);
        let gram = vectorised(
            #[inline(always)]
            || {
                let values = match weights {
                    None => residual,
                    Some(weights) => {
                        weighted.clear();
                        weighted.extend(
                            residual
                                .iter()
                                .zip(weights)
                                .map(|(r, weight)| r * f64::from(*weight)),
                        );
                        &*weighted
                    }
                };
                for (sums, powers) in sums.iter_mut().zip(&length.powers) {
                    add_cycles(sums, values, powers);
                }
                let cycle = sums[0].len();
                for (table, pair) in tables.chunks_mut(cycle).zip(sums.chunks(2)) {
                    for ((cell, re), im) in table.iter_mut().zip(&pair[0]).zip(&pair[1]) {
                        *cell = Complex64::new(*re, *im);
                    }
                }
                weights.map_or(length.gram, gram_of)
            },
        );
        self.plan
            .process_with_scratch(&mut self.tables, &mut self.scratch);
        gram
    }

    /// Sums of an order's two hats, its phase going `turn` further over half the interval than the table's does; twice the
    /// sums, but for the phase in the interval's middle.
    fn sums(&self, order: usize, turn: f64) -> (Complex64, Complex64) {
        let series = series(turn, self.pairs);
        // Moments by power of time.
        let mut moments = [Complex64::default(); 6];
        let cycle = self.tables.len() / self.pairs;
        for (pair, table) in moments.chunks_mut(2).zip(self.tables.chunks(cycle)) {
            let (z, mirrored) = (table[order], table[table.len() - order].conj());
            pair[0] = 0.5 * (z + mirrored);
            let twice = z - mirrored;
            pair[1] = 0.5 * Complex64::new(twice.im, -twice.re);
        }
        let turned = |m: &[Complex64]| {
            let even = m[0] * series[0] + m[2] * series[2] + m[4] * series[4];
            let odd = m[1] * series[1] + m[3] * series[3];
            even + Complex64::new(-odd.im, odd.re)
        };
        let (plain, slope) = (turned(&moments[..5]), turned(&moments[1..]));
        (plain - slope, plain + slope)
    }
}

/// Appends the phasor sums of the model's orders in `residual` (weighted) to `sums`; returns whether it could: a frequency
/// that is far from a whole number of samples a cycle needs the general way.
pub(crate) fn add_moments(
    model: &HumModel,
    residual: &[f64],
    weights: Option<&[f32]>,
    sums: &mut Sums,
) -> bool {
    let highest = model.orders.iter().copied().max().unwrap_or(0);
    let cycle = (model.samples() as f64 / model.cycles()).round() as usize;
    if 2 * highest >= cycle {
        return false;
    }
    // Of the fundamental, over half of an interval.
    let turns: Vec<f64> = (0..model.intervals())
        .map(|i| {
            let samples = (model.edges[i + 1] - model.edges[i]) as f64;
            PI * samples * (model.cycles_per_sample(i) - 1.0 / cycle as f64)
        })
        .collect();
    let farthest = turns.iter().fold(0.0f64, |most, t| most.max(t.abs())) * highest as f64;
    if !(farthest < FARTHEST) {
        return false;
    }
    let mut moments = Moments::new(cycle, if farthest < NEAR { 2 } else { 3 });
    for (i, turn) in turns.iter().enumerate() {
        let range = model.edges[i]..model.edges[i + 1];
        let gram = moments.take(&residual[range.clone()], weights.map(|w| &w[range]));
        let middle = model.phase[i] + turn / (2.0 * PI);
        let unit = Complex64::from_polar(1.0, -2.0 * PI * (middle - middle.floor()));
        let (mut power, mut rotation) = (0, Complex64::new(1.0, 0.0));
        for &order in &model.orders {
            rotation *= unit.powu((order - power) as u32);
            power = order;
            let (left, right) = moments.sums(order, turn * order as f64);
            sums.left.push(left * rotation);
            sums.right.push(right * rotation);
        }
        sums.gram.push(gram);
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the sums' own definition: as good as the series is, of the largest sum that there can be.
    #[test]
    fn moments_give_the_sums_of_the_definition() {
        for (per_cycle, highest) in [(240.12, 50usize), (239.6, 50), (60.4, 14), (97.0, 20)] {
            let edges: Vec<usize> = (0..=8)
                .map(|i| (f64::from(i) * 2.0 * per_cycle) as usize)
                .collect();
            let samples = edges[8];
            let model = HumModel {
                piece: vec![0; 8],
                gain: vec![1.0; 9],
                constants: vec![vec![Complex64::default(); 3]],
                deviations: vec![Vec::new(); 3],
                orders: vec![1, 3, highest],
                phase: edges.iter().map(|e| 0.3 + *e as f64 / per_cycle).collect(),
                edges,
            };
            let x: Vec<f64> = (0..samples)
                .map(|i| ((i * i) % 97) as f64 / 97.0 - 0.5)
                .collect();
            let some: Vec<f32> = (0..samples)
                .map(|i| if i % 31 == 0 { 0.0 } else { 1.0 })
                .collect();
            for weights in [None, Some(&some[..])] {
                let mut sums = Sums::empty(3, 8);
                assert!(add_moments(&model, &x, weights, &mut sums));
                for i in 0..8 {
                    let (from, to) = (model.edges[i], model.edges[i + 1]);
                    let length = (to - from) as f64;
                    let mut gram = [0.0; 3];
                    let mut expected = [[Complex64::default(); 2]; 3];
                    for n in from..to {
                        let weight = weights.map_or(1.0, |w| f64::from(w[n]));
                        let up = (n - from) as f64 / length;
                        let down = 1.0 - up;
                        gram[0] += weight * down * down;
                        gram[1] += weight * down * up;
                        gram[2] += weight * up * up;
                        let phase = model.phase[i] + model.cycles_per_sample(i) * (n - from) as f64;
                        for (o, order) in model.orders.iter().enumerate() {
                            let turn = -2.0 * PI * *order as f64 * phase;
                            let z = Complex64::from_polar(2.0 * weight * x[n], turn);
                            expected[o][0] += z * down;
                            expected[o][1] += z * up;
                        }
                    }
                    for (a, b) in sums.gram[i].iter().zip(gram) {
                        assert!((a - b).abs() < 1e-9);
                    }
                    let size: f64 = x[from..to].iter().map(|v| v.abs()).sum();
                    for (o, expected) in expected.iter().enumerate() {
                        for (got, wanted) in [sums.left[i * 3 + o], sums.right[i * 3 + o]]
                            .iter()
                            .zip(expected)
                        {
                            let off = (got - wanted).norm() / size;
                            assert!(off < 3e-4, "{per_cycle} {o}: {off}");
                        }
                    }
                }
            }
        }
    }
}

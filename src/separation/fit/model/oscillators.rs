//! Synthesis and phasor sums of a few orders by turning phasors, several samples at a time.

use super::hum_model::HumModel;
use super::sums::Sums;
use crate::numeric::vectorised;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Orders beyond which tables and folding are cheaper.
const MOST_ORDERS: usize = 24;
const LANES: usize = 8;

/// Whether a model is of few orders with steady amplitudes.
pub(crate) fn suits(model: &HumModel) -> bool {
    model.orders.len() <= MOST_ORDERS
        && model.gain.iter().all(|g| *g == 1.0)
        && model.deviations.iter().all(Vec::is_empty)
}

/// exp(j 2π k φ) at successive samples, in lanes, and its turn over all lanes.
struct Oscillator {
    re: [f64; LANES],
    im: [f64; LANES],
    step: Complex64,
}

impl Oscillator {
    #[inline(always)]
    fn new(start: Complex64, turn: Complex64) -> Self {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        let mut at = start;
        for lane in 0..LANES {
            (re[lane], im[lane]) = (at.re, at.im);
            at *= turn;
        }
        let square = turn * turn;
        let fourth = square * square;
        Self {
            re,
            im,
            step: fourth * fourth,
        }
    }

    #[inline(always)]
    fn turn(&mut self) {
        for lane in 0..LANES {
            let re = self.re[lane] * self.step.re - self.im[lane] * self.step.im;
            self.im[lane] = self.re[lane] * self.step.im + self.im[lane] * self.step.re;
            self.re[lane] = re;
        }
    }
}

/// Powers 0 to `highest` of a number.
fn powers(of: Complex64, highest: usize, into: &mut Vec<Complex64>) {
    into.clear();
    let mut power = Complex64::new(1.0, 0.0);
    for _ in 0..=highest {
        into.push(power);
        power *= of;
    }
}

/// Starts and turns a sample of all powers of the fundamental in one interval.
#[derive(Default)]
struct Turns {
    starts: Vec<Complex64>,
    turns: Vec<Complex64>,
}

impl Turns {
    fn set(&mut self, model: &HumModel, interval: usize, highest: usize) {
        let unit = |cycles: f64| Complex64::from_polar(1.0, 2.0 * PI * (cycles - cycles.floor()));
        powers(unit(model.phase[interval]), highest, &mut self.starts);
        powers(
            unit(model.cycles_per_sample(interval)),
            highest,
            &mut self.turns,
        );
    }
}

/// Takes the hum off `out`, of the record's length; the model [`suits`].
pub(crate) fn subtract(model: &HumModel, out: &mut [f64]) {
    let highest = model.orders.iter().copied().max().unwrap_or(0);
    let mut turns = Turns::default();
    vectorised(
        #[inline(always)]
        || {
            for interval in 0..model.intervals() {
                turns.set(model, interval, highest);
                let part = &mut out[model.edges[interval]..model.edges[interval + 1]];
                let constants = &model.constants[model.piece[interval]];
                for (&order, a) in model.orders.iter().zip(constants) {
                    let mut wave = Oscillator::new(a * turns.starts[order], turns.turns[order]);
                    let (chunks, rest) = part.as_chunks_mut::<LANES>();
                    for chunk in chunks {
                        for (value, re) in chunk.iter_mut().zip(&wave.re) {
                            *value -= re;
                        }
                        wave.turn();
                    }
                    for (value, re) in rest.iter_mut().zip(&wave.re) {
                        *value -= re;
                    }
                }
            }
        },
    );
}

/// Phasor sums of the model's orders in `residual` (weighted), appended to `sums`.
pub(crate) fn add_sums(
    model: &HumModel,
    residual: &[f64],
    weights: Option<&[f32]>,
    sums: &mut Sums,
) {
    let highest = model.orders.iter().copied().max().unwrap_or(0);
    let mut turns = Turns::default();
    // Falling and rising share of every sample, filled up with zeros.
    let (mut falling, mut rising): (Vec<[f64; LANES]>, Vec<[f64; LANES]>) =
        (Vec::new(), Vec::new());
    vectorised(
        #[inline(always)]
        || {
            for interval in 0..model.intervals() {
                turns.set(model, interval, highest);
                let (from, to) = (model.edges[interval], model.edges[interval + 1]);
                let per_sample = 1.0 / (to - from) as f64;
                let blocks = (to - from).div_ceil(LANES);
                falling.clear();
                rising.clear();
                falling.resize(blocks, [0.0; LANES]);
                rising.resize(blocks, [0.0; LANES]);
                let mut gram = [0.0; 3];
                let (left, right) = (falling.as_flattened_mut(), rising.as_flattened_mut());
                for (n, value) in residual[from..to].iter().enumerate() {
                    let weight = weights.map_or(1.0, |w| f64::from(w[from + n]));
                    let up = n as f64 * per_sample;
                    let down = 1.0 - up;
                    gram[0] += weight * down * down;
                    gram[1] += weight * down * up;
                    gram[2] += weight * up * up;
                    left[n] = weight * value * down;
                    right[n] = weight * value * up;
                }
                for &order in &model.orders {
                    let mut wave =
                        Oscillator::new(turns.starts[order].conj(), turns.turns[order].conj());
                    let mut lanes = [[0.0; LANES]; 4];
                    for (down, up) in falling.iter().zip(&rising) {
                        for lane in 0..LANES {
                            lanes[0][lane] += down[lane] * wave.re[lane];
                            lanes[1][lane] += down[lane] * wave.im[lane];
                            lanes[2][lane] += up[lane] * wave.re[lane];
                            lanes[3][lane] += up[lane] * wave.im[lane];
                        }
                        wave.turn();
                    }
                    let [a, b, c, d] = lanes.map(|l| 2.0 * l.iter().sum::<f64>());
                    sums.left.push(Complex64::new(a, b));
                    sums.right.push(Complex64::new(c, d));
                }
                sums.gram.push(gram);
            }
        },
    );
}

#[cfg(test)]
mod tests {
    use super::super::fold::fold;
    use super::*;

    fn example() -> HumModel {
        let edges: Vec<usize> = (0..=12).map(|i| i * 119 + i / 5).collect();
        let phase = edges.iter().map(|e| 0.3 + *e as f64 / 59.71).collect();
        HumModel {
            piece: vec![0; 12],
            gain: vec![1.0; 13],
            constants: vec![
                (1..=3)
                    .map(|k| Complex64::from_polar(1.0 / f64::from(k), f64::from(k)))
                    .collect(),
            ],
            deviations: vec![Vec::new(); 3],
            orders: vec![1, 2, 11],
            edges,
            phase,
        }
    }

    #[test]
    fn turning_phasors_agree_with_tables_and_folding() {
        let model = example();
        let samples = model.edges[12];
        let x: Vec<f64> = (0..samples)
            .map(|i| ((i * i) % 97) as f64 / 97.0 - 0.5)
            .collect();
        let weights: Vec<f32> = (0..samples)
            .map(|i| if i % 31 == 0 { 0.0 } else { 1.0 })
            .collect();
        let (mut turned, mut tabled) = (x.clone(), x.clone());
        subtract(&model, &mut turned);
        model.residual(&x, &mut tabled);
        for (a, b) in turned.iter().zip(&tabled) {
            assert!((a - b).abs() < 4e-5, "{a} {b}");
        }
        let mut sums = Sums::empty(3, 12);
        add_sums(&model, &x, Some(&weights), &mut sums);
        fold(&model, &x, Some(&weights), 11, |f| {
            for (o, k) in model.orders.iter().enumerate() {
                // Folding shares a sample between two bins of 128: good to 0.1 of some 120 samples.
                assert!((sums.left[f.interval * 3 + o] - f.left[*k]).norm() < 0.2);
                assert!((sums.right[f.interval * 3 + o] - f.right[*k]).norm() < 0.2);
            }
            for (a, b) in sums.gram[f.interval].iter().zip(f.gram) {
                assert!((a - b).abs() < 1e-9);
            }
        });
    }
}

//! Series that a converter's steps make look alike.
//!
//! Rounding turns an input v into v + e(v), with e the mean of round(v + noise) − v (B. Widrow & I. Kollár, Quantization Noise,
//! 2008, ch. 4). Below half a step of noise e is no noise: it falls on the series' own orders and on the offset, and least squares
//! takes it for a part of them. Inputs v with v + e(v) = what was fitted are what the record may hold; there may be several, which is
//! what the steps leave open.

use crate::spectrum::fft::{forward, run_forward};
use crate::stats::normal_cdf;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Places in a cycle, and in a step.
const CYCLE: usize = 4096;
const STEP: usize = 256;
/// Samples that are looked at, from the record's middle.
const MOST: usize = 1 << 13;
/// Deviations of the noise that are tried, in steps.
const NOISE: [f64; 4] = [0.0, 0.08, 0.18, 0.35];
/// Inputs that each is begun with, and rounds in which they settle.
const STARTS: usize = 24;
const ROUNDS: usize = 4;
/// How far, in steps, an input's rounded form may be from what was fitted, and its residual's RMS, also as a share.
const NEAR: f64 = 0.03;
const LIKE: (f64, f64) = (0.03, 0.15);
/// How far an order may begin from what was fitted, in steps: rounding makes lines of up to 0.37 of one.
const BEGIN: f64 = 0.37;
/// Inputs kept where none is so near.
const LEAST: usize = 4;

/// What was fitted to a rounded record.
#[derive(Debug)]
pub(crate) struct Rounded<'a> {
    pub(crate) step: f64,
    /// A level of the converter, where one is known.
    pub(crate) level: Option<f64>,
    pub(crate) samples: usize,
    /// Cycles per sample.
    pub(crate) fundamental: f64,
    pub(crate) offset: f64,
    /// Amplitudes, phase at the first sample.
    pub(crate) harmonics: &'a [Complex64],
    pub(crate) residual_rms: f64,
}

/// An input that rounding turns into what was fitted.
#[derive(Debug, Clone)]
pub(crate) struct Alike {
    pub(crate) offset: f64,
    /// Cycles per sample.
    pub(crate) fundamental: f64,
    pub(crate) harmonics: Vec<Complex64>,
    /// Deviation of its noise, in steps.
    pub(crate) noise: f64,
    /// How far its rounded form is from what was fitted, and its residual from the record's, in steps.
    misfit: f64,
    unlike: f64,
}

/// Mean and mean square of a rounding error against the place within a step, for noise of one deviation, in steps.
struct Errors {
    deviation: f64,
    mean: Vec<f64>,
    square: Vec<f64>,
}

impl Errors {
    fn new(deviation: f64) -> Self {
        let place = |i: usize| (i as f64 + 0.5) / STEP as f64 - 0.5;
        let below = |x: f64| match deviation {
            d if d > 0.0 => normal_cdf(x / d),
            _ => f64::from(x > 0.0),
        };
        let moment = |i: usize, power: i32| -> f64 {
            (-3..=3)
                .map(f64::from)
                .map(|level| {
                    let error = level - place(i);
                    (below(error + 0.5) - below(error - 0.5)) * error.powi(power)
                })
                .sum()
        };
        Self {
            deviation,
            mean: (0..STEP).map(|i| moment(i, 1)).collect(),
            square: (0..STEP).map(|i| moment(i, 2)).collect(),
        }
    }

    /// Mean and mean square at this many steps from a level.
    fn at(&self, steps: f64) -> (f64, f64) {
        let within = steps - steps.round() + 0.5;
        let i = ((within * STEP as f64) as usize).min(STEP - 1);
        (self.mean[i], self.square[i])
    }
}

/// What rounding does to an input: to offset, orders and frequency, and the mean square that it leaves.
struct Change {
    offset: f64,
    harmonics: Vec<Complex64>,
    fundamental: f64,
    left: f64,
}

impl Rounded<'_> {
    /// The inputs that may be behind what was fitted: what was fitted itself not among them.
    pub(crate) fn alike(&self) -> Vec<Alike> {
        let tables = NOISE.map(Errors::new);
        let mut found: Vec<Alike> = tables
            .iter()
            .flat_map(|errors| (0..STARTS).map(move |start| self.settled(errors, start)))
            .collect();
        let allowed = LIKE.0 + LIKE.1 * self.residual_rms / self.step;
        let worth = |a: &Alike| (a.misfit / NEAR).max(a.unlike / allowed);
        found.sort_by(|a, b| worth(a).total_cmp(&worth(b)));
        let near = found.iter().filter(|a| worth(a) <= 1.0).count();
        found.truncate(near.max(LEAST));
        found
    }

    /// The input that `start` settles on in noise of these errors.
    fn settled(&self, errors: &Errors, start: usize) -> Alike {
        // Places that fill the space evenly: multiples of irrational numbers.
        let place = |i: usize, of: f64| (start as f64 * (i as f64 + of).sqrt()).fract();
        let shift = place(0, 2.0) - 0.5;
        // Orders of less than what rounding makes may be its own.
        let least = if start.is_multiple_of(2) {
            0.0
        } else {
            0.5 * BEGIN * self.step
        };
        let begin = |(i, c): (usize, &Complex64)| {
            if c.norm() <= least {
                return Complex64::default();
            }
            let far = BEGIN * self.step * place(i, 3.0) / (i + 1) as f64;
            c + far * Complex64::cis(TAU * place(i, 5.0))
        };
        let mut harmonics: Vec<Complex64> = self.harmonics.iter().enumerate().map(begin).collect();
        let level = self
            .level
            .unwrap_or(self.offset + (0.37 + shift) * self.step);
        let mut offset = self.offset + 0.8 * shift * self.step;
        let mut change = self.change(errors, level, offset, &harmonics);
        for _ in 0..ROUNDS {
            // Half of the way: rounding's own slope is up to that of a step.
            offset += 0.5 * (self.offset - change.offset - offset);
            for (c, (fitted, e)) in harmonics
                .iter_mut()
                .zip(self.harmonics.iter().zip(&change.harmonics))
            {
                *c += 0.5 * (fitted - e - *c);
            }
            change = self.change(errors, level, offset, &harmonics);
        }
        let missed = (offset + change.offset - self.offset).abs();
        let first = harmonics.first().zip(self.harmonics.first());
        let turned = first.map_or(0.0, |(c, fitted)| (c + change.harmonics[0] - fitted).norm());
        let own: f64 = change.harmonics.iter().map(|e| 0.5 * e.norm_sqr()).sum();
        let left = (change.left - change.offset.powi(2) - own).max(0.0).sqrt();
        Alike {
            offset,
            fundamental: self.fundamental - change.fundamental,
            harmonics,
            noise: errors.deviation,
            misfit: missed.max(turned) / self.step,
            unlike: (left - self.residual_rms).abs() / self.step,
        }
    }

    fn change(&self, errors: &Errors, level: f64, offset: f64, harmonics: &[Complex64]) -> Change {
        let (wave, slope) = cycle(harmonics);
        let count = self.samples.min(MOST);
        let first = (self.samples - count) / 2;
        let middle = 0.5 * (count as f64 - 1.0);
        let mut sums = vec![0.0; CYCLE];
        let (mut left, mut along, mut weight) = (0.0, 0.0, 0.0);
        let mut phase = (self.fundamental * first as f64).fract();
        for i in 0..count {
            let place = phase * CYCLE as f64;
            let at = (place as usize).min(CYCLE - 1);
            let part = place - at as f64;
            let input = offset + wave[at] + part * (wave[at + 1] - wave[at]);
            let (mean, square) = errors.at((input - level) / self.step);
            sums[at] += mean;
            left += square;
            let lever = slope[at] * (i as f64 - middle);
            along += lever * mean;
            weight += lever * lever;
            phase += self.fundamental;
            phase -= phase.floor();
        }
        let scale = self.step / count as f64;
        let total: f64 = sums.iter().sum();
        let plan = forward(CYCLE);
        let mut spectrum = plan.make_output_vec();
        run_forward(
            &*plan,
            &mut sums,
            &mut spectrum,
            &mut plan.make_scratch_vec(),
        );
        // A sum over a bin stands at the bin's middle.
        let half = |k: usize| Complex64::cis(-TAU * 0.5 * k as f64 / CYCLE as f64);
        Change {
            offset: total * scale,
            harmonics: (1..=harmonics.len())
                .map(|k| {
                    spectrum
                        .get(k)
                        .map_or(Complex64::default(), |s| 2.0 * scale * s * half(k))
                })
                .collect(),
            fundamental: if weight > 0.0 {
                self.step * along / weight
            } else {
                0.0
            },
            left: left * self.step * self.step / count as f64,
        }
    }
}

/// A cycle of the series, one place more than there are, and its slope for a change of the frequency.
fn cycle(harmonics: &[Complex64]) -> (Vec<f64>, Vec<f64>) {
    let mut wave = vec![0.0; CYCLE + 1];
    let mut slope = vec![0.0; CYCLE + 1];
    for (i, c) in harmonics.iter().enumerate().filter(|(_, c)| c.norm() > 0.0) {
        let k = (i + 1) as f64;
        let turn = Complex64::cis(TAU * k / CYCLE as f64);
        let mut point = *c;
        for (w, s) in wave.iter_mut().zip(&mut slope) {
            *w += point.re;
            *s -= TAU * k * point.im;
            point *= turn;
        }
    }
    (wave, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine of 0.42 steps whose middle lies a fifth of a step from a level, without noise: what was fitted is a part of it, the
    /// input among what may be behind it.
    #[test]
    fn the_input_is_among_what_looks_alike() {
        let (samples, fundamental) = (12_345, 0.0050123);
        let input = |i: usize| 0.2 + 0.42 * (TAU * fundamental * i as f64 + 1.0).cos();
        let rounded: Vec<f64> = (0..samples).map(|i| input(i).round()).collect();
        let count = samples as f64;
        let offset = rounded.iter().sum::<f64>() / count;
        let harmonics: Vec<Complex64> = (1..=20)
            .map(|k| {
                let at = |i: usize| Complex64::cis(-TAU * fundamental * (k * i) as f64);
                let sum: Complex64 = rounded.iter().enumerate().map(|(i, x)| at(i) * x).sum();
                2.0 * sum / count
            })
            .collect();
        let left = |i: usize| {
            let turn = |k: usize| Complex64::cis(TAU * fundamental * (k * i) as f64);
            let series = (1..=20).map(|k| (harmonics[k - 1] * turn(k)).re);
            rounded[i] - offset - series.sum::<f64>()
        };
        let residual = (0..samples).map(|i| left(i).powi(2)).sum::<f64>() / count;
        assert!((offset - 0.2).abs() > 0.04, "{offset}");
        let found = Rounded {
            step: 1.0,
            level: Some(0.0),
            samples,
            fundamental,
            offset,
            harmonics: &harmonics,
            residual_rms: residual.sqrt(),
        }
        .alike();
        let reach = |figure: &dyn Fn(&Alike) -> f64| {
            let figures = found.iter().map(figure);
            figures.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            })
        };
        for (figure, truth) in [
            (reach(&|a| a.offset), 0.2),
            (reach(&|a| a.harmonics[0].norm()), 0.42),
            (reach(&|a| a.harmonics[0].arg()), 1.0),
        ] {
            println!("{truth}: {figure:?}");
            assert!(
                figure.0 < truth + 0.02 && truth - 0.02 < figure.1,
                "{truth}: {figure:?}"
            );
        }
    }
}

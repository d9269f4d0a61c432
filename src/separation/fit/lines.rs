//! Narrow lines that are no hum: set aside while the hum is fitted, left in the capture.

use crate::spectrum::fft;
use crate::stats::usual_power;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Lines set aside at most.
const MOST: usize = 12;
/// Power of a line over its neighbourhood's mean, so that it can disturb.
const CLEAR: f64 = 100.0;
/// Bins within which the level on either side is taken, and those next to the line that are left out.
const NEIGHBOURS: usize = 32;
const SKIRT: usize = 7;
const ROUNDS: usize = 3;

/// A steady sinusoid: Re a·exp(j 2π ν (n − middle)).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    /// ν, cycles per sample.
    pub(crate) frequency: f64,
    amplitude: Complex64,
}

/// Finds lines in `rest` (weighted), apart from the frequencies that `hum` claims (cycles per sample).
pub(crate) fn find_lines(
    rest: &[f64],
    weights: Option<&[f32]>,
    hum: impl Fn(f64) -> bool,
) -> Vec<Line> {
    let window = Window::new(rest.len(), weights);
    let mut rest = rest.to_vec();
    let mut lines: Vec<Line> = Vec::new();
    // One after the other, so that a strong line's skirt is gone before weaker ones are looked for.
    while lines.len() < MOST {
        let Some(frequency) = strongest(window.apply(&rest), &hum) else {
            break;
        };
        let mut line = Line {
            frequency,
            amplitude: Complex64::default(),
        };
        window.refine(&rest, &mut line);
        line.put(&mut rest, -1.0);
        lines.push(line);
    }
    for _ in 0..ROUNDS {
        for line in &mut lines {
            line.put(&mut rest, 1.0);
            window.refine(&rest, line);
            line.put(&mut rest, -1.0);
        }
    }
    lines
}

/// Fits lines known to lie near `frequencies` (cycles per sample) to `rest`, which loses them.
pub(crate) fn follow_lines(rest: &mut [f64], window: &Window, frequencies: &[f64]) -> Vec<Line> {
    let follow = |rest: &mut [f64], frequency: f64| {
        let mut line = Line {
            frequency,
            amplitude: Complex64::default(),
        };
        window.refine(rest, &mut line);
        line.put(rest, -1.0);
        line
    };
    frequencies.iter().map(|f| follow(rest, *f)).collect()
}

/// Frequency of the strongest clear peak of a windowed record.
fn strongest(mut windowed: Vec<f64>, hum: impl Fn(f64) -> bool) -> Option<f64> {
    let size = windowed.len().next_power_of_two();
    let plan = fft::forward(size);
    windowed.resize(size, 0.0);
    let mut spectrum = plan.make_output_vec();
    plan.process(&mut windowed, &mut spectrum).ok()?;
    let powers: Vec<f64> = spectrum.iter().map(Complex64::norm_sqr).collect();
    let beside = |bin: usize| powers.get(bin).copied().unwrap_or(0.0);
    let mut best: Option<(usize, f64)> = None;
    for (bin, &power) in powers.iter().enumerate().skip(3) {
        let peak = power >= beside(bin + 1) && power > beside(bin - 1);
        let stronger = best.is_none_or(|b| power > b.1);
        if peak
            && stronger
            && power > CLEAR * level_beside(&powers, bin)
            && !hum(bin as f64 / size as f64)
        {
            best = Some((bin, power));
        }
    }
    best.map(|(bin, _)| bin as f64 / size as f64)
}

/// Median power on either side of a bin beyond the reach of its window, as a mean; the higher side counts, lest
/// a slope pass for a line.
fn level_beside(powers: &[f64], bin: usize) -> f64 {
    let level = |from: usize, to: usize| {
        usual_power(&mut powers[from.min(powers.len())..to.min(powers.len())].to_vec())
    };
    let below = level(bin.saturating_sub(NEIGHBOURS), bin.saturating_sub(SKIRT));
    below.max(level(bin + SKIRT, bin + NEIGHBOURS))
}

impl Line {
    /// Adds the line times `sign` to samples.
    pub(crate) fn put(&self, samples: &mut [f64], sign: f64) {
        if self.amplitude.norm_sqr() == 0.0 {
            return;
        }
        let middle = 0.5 * (samples.len() as f64 - 1.0);
        let step = Complex64::from_polar(1.0, 2.0 * PI * self.frequency);
        for (block, values) in samples.chunks_mut(4096).enumerate() {
            let start = (block * 4096) as f64 - middle;
            let mut turn =
                self.amplitude * Complex64::from_polar(sign, 2.0 * PI * self.frequency * start);
            for value in values {
                *value += turn.re;
                turn *= step;
            }
        }
    }
}

/// A Hann window times the samples' weights.
pub(crate) struct Window {
    values: Vec<f64>,
    sum: f64,
    /// Mean square distance from the middle, samples².
    spread: f64,
}

impl Window {
    pub(crate) fn new(samples: usize, weights: Option<&[f32]>) -> Self {
        const BLOCK: usize = 1024;
        let middle = 0.5 * (samples as f64 - 1.0);
        let (mut sum, mut spread) = (0.0, 0.0);
        let mut values = Vec::with_capacity(samples);
        let step = 2.0 * PI / samples.max(1) as f64;
        let turn = Complex64::from_polar(1.0, step);
        let mut rotation = turn;
        for n in 0..samples {
            if n % BLOCK == 0 {
                rotation = Complex64::from_polar(1.0, step * (n as f64 + 0.5));
            }
            let value = (0.5 - 0.5 * rotation.re) * weights.map_or(1.0, |w| f64::from(w[n]));
            rotation *= turn;
            sum += value;
            spread += value * (n as f64 - middle).powi(2);
            values.push(value);
        }
        Self {
            values,
            sum: sum.max(1e-300),
            spread: spread / sum.max(1e-300),
        }
    }

    fn apply(&self, samples: &[f64]) -> Vec<f64> {
        self.values
            .iter()
            .zip(samples)
            .map(|(w, x)| w * x)
            .collect()
    }

    /// Amplitude of a line, and its frequency by one Newton step: about the middle the weighted sum of
    /// t·x·exp(-jωt) over that of x·exp(-jωt) is j times the frequency's error times the spread.
    fn refine(&self, samples: &[f64], line: &mut Line) {
        let (plain, moment) = self.sums(samples, line.frequency);
        let reach = 0.5 / samples.len() as f64;
        let step = (moment * plain.conj()).im / plain.norm_sqr().max(1e-300) / self.spread;
        line.frequency += (step / (2.0 * PI)).clamp(-reach, reach);
        line.amplitude = self.sums(samples, line.frequency).0 * (2.0 / self.sum);
    }

    fn sums(&self, samples: &[f64], frequency: f64) -> (Complex64, Complex64) {
        let middle = 0.5 * (samples.len() as f64 - 1.0);
        const LANES: usize = 8;
        const BLOCK: usize = 4096;
        let omega = -2.0 * PI * frequency;
        let step = Complex64::from_polar(1.0, omega * LANES as f64);
        let first: [Complex64; LANES] =
            std::array::from_fn(|i| Complex64::from_polar(1.0, omega * i as f64));
        let (mut plain, mut moment) = (Complex64::default(), Complex64::default());
        let blocks = samples.chunks(BLOCK).zip(self.values.chunks(BLOCK));
        for (block, (values, weights)) in blocks.enumerate() {
            let start = (block * BLOCK) as f64 - middle;
            // About the block's start; the turn to the middle is common to its samples.
            let (mut re, mut im) = (first.map(|f| f.re), first.map(|f| f.im));
            let mut sums = [[0.0; LANES]; 4];
            for (n, (x, w)) in values.chunks(LANES).zip(weights.chunks(LANES)).enumerate() {
                for (i, (x, w)) in x.iter().zip(w).enumerate() {
                    let value = x * w;
                    let t = f64::from((n * LANES + i) as i32);
                    sums[0][i] += value * re[i];
                    sums[1][i] += value * im[i];
                    sums[2][i] += value * re[i] * t;
                    sums[3][i] += value * im[i] * t;
                }
                for i in 0..LANES {
                    let turned = re[i] * step.re - im[i] * step.im;
                    im[i] = re[i] * step.im + im[i] * step.re;
                    re[i] = turned;
                }
            }
            let [a, b, c, d] = sums.map(|lanes| lanes.iter().sum::<f64>());
            let turn = Complex64::from_polar(1.0, omega * start);
            let here = Complex64::new(a, b) * turn;
            plain += here;
            moment += here * start + Complex64::new(c, d) * turn;
        }
        (plain, moment)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_line_between_bins_is_taken_out_to_the_noise() {
        let (frequency, phase) = (0.123_456_7, 0.7);
        let mut state = 1u32;
        let noise: Vec<f64> = (0..20_000)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                0.1 * (f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5)
            })
            .collect();
        let mut x: Vec<f64> = (0..20_000)
            .map(|n| (2.0 * PI * frequency * f64::from(n) + phase).cos() + noise[n as usize])
            .collect();
        let lines = find_lines(&x, None, |_| false);
        assert_eq!(lines.len(), 1);
        // Three standard deviations of a frequency under a Hann window, sqrt(2.4) times the bound of
        // Rife & Boorstyn 1974: 0.029 of noise, amplitude 1, 20 000 samples.
        assert_relative_eq!(lines[0].frequency, frequency, epsilon = 2.5e-8);
        lines[0].put(&mut x, -1.0);
        let largest = x
            .iter()
            .zip(&noise)
            .fold(0.0f64, |m, (v, n)| m.max((v - n).abs()));
        assert!(largest < 3e-3, "{largest}");
    }
}

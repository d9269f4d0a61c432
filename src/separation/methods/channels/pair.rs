//! Spectra of two channels, and what they say of gain and delay.

use crate::spectrum::fft;
use crate::stats::usual_power;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of a record at either end over which it is faded.
const FADED: f64 = 0.02;

/// Spectra of two channels of equal length, faded at the ends.
pub(super) struct Pair {
    samples: usize,
    pub(super) size: usize,
    pub(super) target: Vec<Complex64>,
    pub(super) other: Vec<Complex64>,
}

impl Pair {
    pub(super) fn new(samples: usize, longest: usize) -> Self {
        let size = (samples + longest.min(samples)).next_power_of_two();
        Self {
            samples,
            size,
            target: Vec::new(),
            other: Vec::new(),
        }
    }

    /// This spectrum as a target of the same other channel.
    pub(super) fn of_spectra(target: &[Complex64], like: &Self) -> Self {
        Self {
            samples: like.samples,
            size: like.size,
            target: target.to_vec(),
            other: like.other.clone(),
        }
    }

    pub(super) fn bins(&self) -> usize {
        self.size / 2
    }

    /// Bins to one that is independent.
    pub(super) fn padding(&self) -> f64 {
        self.size as f64 / self.samples as f64
    }

    pub(super) fn load(&mut self, target: &[f64], other: &[f64]) {
        let n = self.samples;
        let fade = ((FADED * n as f64) as usize).max(4).min(n / 2);
        let window = |i: usize| {
            let edge = i.min(n - 1 - i);
            if edge < fade {
                (0.5 * PI * (edge as f64 + 0.5) / fade as f64).sin().powi(2)
            } else {
                1.0
            }
        };
        let mut both: Vec<Complex64> = (0..n)
            .map(|i| Complex64::new(target[i], other[i]) * window(i))
            .collect();
        let mean = both.iter().sum::<Complex64>() / (0..n).map(window).sum::<f64>().max(1e-300);
        for (i, z) in both.iter_mut().enumerate() {
            *z -= mean * window(i);
        }
        both.resize(self.size, Complex64::default());
        fft::forward_complex(self.size).process(&mut both);
        let mirrored = |i: usize| both[(self.size - i) % self.size].conj();
        self.target = (0..self.bins())
            .map(|i| 0.5 * (both[i] + mirrored(i)))
            .collect();
        let turn = Complex64::new(0.0, -0.5);
        self.other = (0..self.bins())
            .map(|i| turn * (both[i] - mirrored(i)))
            .collect();
        let unit = 1.0 / (n as f64).sqrt();
        for z in self.target.iter_mut().chain(&mut self.other) {
            *z *= unit;
        }
        self.target[0] = Complex64::default();
        self.other[0] = Complex64::default();
    }

    pub(super) fn cross(&self, weights: &[f64]) -> Vec<Complex64> {
        let pairs = self.target.iter().zip(&self.other).zip(weights);
        pairs.map(|((x, y), w)| x * y.conj() * w).collect()
    }

    pub(super) fn length(&self, weights: &[f64]) -> f64 {
        self.other
            .iter()
            .zip(weights)
            .map(|(y, w)| w * y.norm_sqr())
            .sum()
    }

    /// As the length, every frequency by its square, in radians a sample.
    pub(super) fn turned(&self, weights: &[f64]) -> f64 {
        let step = 2.0 * PI / self.size as f64;
        let terms = self.other.iter().zip(weights).enumerate();
        terms
            .map(|(i, (y, w))| w * y.norm_sqr() * (i as f64 * step).powi(2))
            .sum()
    }

    /// Whole delay at which the correlation is largest; of equals the nearer.
    pub(super) fn best_lag(&self, cross: &[Complex64], longest: usize, either_sign: bool) -> f64 {
        let mut all = cross.to_vec();
        all.resize(self.size, Complex64::default());
        fft::inverse_complex(self.size).process(&mut all);
        let reach = longest.min(self.size / 2 - 1) as i64;
        let size = |m: i64| {
            let value = all[m.rem_euclid(self.size as i64) as usize].re;
            let size = if either_sign { value.abs() } else { value };
            size * (1.0 - 1e-6 * m.abs() as f64 * size.signum())
        };
        (-reach..=reach)
            .max_by(|a, b| size(*a).total_cmp(&size(*b)))
            .unwrap_or(0) as f64
    }

    /// Delay near `start` at which the correlation is largest, and its value there: Newton's steps.
    pub(super) fn refine(&self, cross: &[Complex64], start: f64) -> (f64, f64) {
        let mut delay = start;
        for _ in 0..12 {
            let [value, slope, curvature] = self.correlation(cross, delay);
            let step = if value * curvature < 0.0 {
                -slope / curvature
            } else {
                0.1 * (slope * value).signum()
            };
            let step = step.clamp(-0.4, 0.4);
            if !step.is_finite() {
                break;
            }
            delay = (delay + step).clamp(start - 1.5, start + 1.5);
            if step.abs() < 1e-9 {
                break;
            }
        }
        (delay, self.correlation(cross, delay)[0])
    }

    /// Correlation at a delay, its slope and its curvature.
    fn correlation(&self, cross: &[Complex64], delay: f64) -> [f64; 3] {
        const TOGETHER: usize = 256;
        let step = 2.0 * PI / self.size as f64;
        let turn = Complex64::from_polar(1.0, step * delay);
        let mut sums = [0.0; 3];
        for (block, part) in cross.chunks(TOGETHER).enumerate() {
            let first = (block * TOGETHER) as f64;
            let mut rotation = Complex64::from_polar(1.0, (step * delay * first) % (2.0 * PI));
            for (i, c) in part.iter().enumerate() {
                let omega = step * (first + i as f64);
                let z = c * rotation;
                sums[0] += z.re;
                sums[1] -= omega * z.im;
                sums[2] -= omega * omega * z.re;
                rotation *= turn;
            }
        }
        sums
    }

    /// Whether a delay explains more than the best of so many does by chance, once in a thousand.
    pub(super) fn is_worth(&self, weights: &[f64], delay: f64, longest: usize) -> bool {
        let along = self.correlation(&self.cross(weights), delay)[0];
        let explained = along * along / self.length(weights).max(1e-300);
        let tried = 2.0 * longest.min(self.samples) as f64 + 1.0;
        // Twice what even weights would need: these were chosen on the same samples.
        explained / self.padding() > 2.0 * (11.0 + tried.ln())
    }

    /// Share of every neighbourhood that is coherent at a delay, less what chance makes of it: where the other channel
    /// has nothing but noise of its own, it must not take from the gain.
    pub(super) fn coherent(&self, delay: f64) -> Vec<f64> {
        const REACH: f64 = 16.0;
        let reach = (REACH * self.padding()) as usize;
        let step = 2.0 * PI * delay / self.size as f64;
        let pairs = self.target.iter().zip(&self.other).enumerate();
        let mut sums = Vec::with_capacity(self.bins() + 1);
        let mut sum = (Complex64::default(), 0.0, 0.0);
        sums.push(sum);
        for (i, (x, y)) in pairs {
            sum.0 += x * y.conj() * Complex64::from_polar(1.0, step * i as f64);
            sum.1 += x.norm_sqr();
            sum.2 += y.norm_sqr();
            sums.push(sum);
        }
        let bins = self.bins();
        let chance = 4.0 / (2.0 * REACH + 1.0);
        (0..bins)
            .map(|i| {
                let (from, to) = (
                    sums[i.saturating_sub(reach)],
                    sums[(i + reach + 1).min(bins)],
                );
                let powers = (to.1 - from.1) * (to.2 - from.2);
                let share = (to.0 - from.0).norm_sqr() / powers.max(1e-300);
                ((share - chance) / (1.0 - chance)).clamp(0.0, 1.0)
            })
            .collect()
    }

    /// Power of what is left at every frequency by this gain and delay.
    pub(super) fn left(&self, gain: f64, delay: f64) -> Vec<f64> {
        let step = 2.0 * PI / self.size as f64;
        let pairs = self.target.iter().zip(&self.other).enumerate();
        pairs
            .map(|(i, (x, y))| {
                let turn = Complex64::from_polar(gain, -step * i as f64 * delay);
                (x - turn * y).norm_sqr()
            })
            .collect()
    }

    /// Weights of a Student variable of four degrees of freedom about the usual power of the neighbourhood, and
    /// the mean logarithm of that power.
    pub(super) fn weights(&self, left: &[f64]) -> (Vec<f64>, f64) {
        let width = (left.len() / 16).clamp(8, 64);
        let total: f64 = left.iter().sum();
        let least = (1e-20 * total / left.len() as f64).max(1e-300);
        let mut weights = Vec::with_capacity(left.len());
        let mut logarithm = 0.0;
        for part in left.chunks(width) {
            let from = (weights.len() + part.len()).saturating_sub(width);
            let mut near = left[from..weights.len() + part.len()].to_vec();
            let usual = usual_power(&mut near).max(least);
            logarithm += usual.ln() * part.len() as f64;
            weights.extend(part.iter().map(|p| 3.0 / (2.0 * usual + p)));
        }
        (weights, logarithm / left.len() as f64)
    }
}

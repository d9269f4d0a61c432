//! Gain and delay of one channel behind another, and a channel delayed by any fraction of a sample.

use crate::separation::fit::far_samples;
use crate::spectrum::fft;
use crate::stats::{median, usual_power};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of a record at either end over which it is faded.
const FADED: f64 = 0.02;
/// Rounds of weighting by what is left, and those after which samples far from the noise are left out.
const ROUNDS: usize = 6;
const CLEARED: [usize; 2] = [1, 3];
/// Samples by which a channel is continued beyond its ends before it is delayed.
const CONTINUED: usize = 64;

/// A gain and a delay, and how well they are known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GainDelay {
    pub(crate) gain: f64,
    /// Delay of the target behind the other channel, samples.
    pub(crate) delay: f64,
    pub(crate) gain_variance: f64,
    pub(crate) delay_variance: f64,
    /// Power of what is left beside the other channel and beside narrow lines: noise of either.
    pub(crate) floor: f64,
}

impl GainDelay {
    /// The other channel as it stands in the target.
    pub(crate) fn apply(&self, other: &[f64]) -> Vec<f64> {
        let mut out = delayed(other, self.delay);
        out.iter_mut().for_each(|v| *v *= self.gain);
        out
    }

    /// Mean square by which the applied channel is wrong, of the gain and of the delay.
    pub(crate) fn doubt(&self, other: &[f64]) -> f64 {
        let n = other.len().max(2) as f64;
        let power = other.iter().map(|v| v * v).sum::<f64>() / n;
        let slope = other.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum::<f64>() / (n - 1.0);
        self.gain_variance * power + self.delay_variance * self.gain.powi(2) * slope
    }
}

/// Fits gain and delay, no longer than `longest` samples, of `target` behind `other`; `None` where the channels
/// have nothing in common.
///
/// The generalised correlation of Knapp & Carter 1976: every frequency counts by the inverse of what is left there,
/// a narrow line of one channel alone hardly at all (weights of a Student variable), and samples that stand out of
/// what is left (pulses) do not count. `there` tells which samples are present.
pub(crate) fn gain_and_delay(
    target: &[f64],
    there: &dyn Fn(usize) -> bool,
    other: &[f64],
    longest: usize,
) -> Option<GainDelay> {
    let n = target.len();
    if n < 16 || other.len() != n {
        return None;
    }
    let mut pair = Pair::new(n, longest);
    let mut held = target.to_vec();
    pair.load(&held, other);
    let mut weights = vec![1.0; pair.bins()];
    let mut found: Option<GainDelay> = None;
    let missing = (0..n).any(|i| !there(i));
    for round in 0..ROUNDS {
        let cross = pair.cross(&weights);
        let start = match found {
            Some(f) if round > 1 => f.delay,
            _ => pair.best_lag(&cross, longest),
        };
        let (delay, along) = pair.refine(&cross, start);
        let length = pair.length(&weights);
        if !(length > 0.0 && along.is_finite()) {
            return None;
        }
        let mut now = GainDelay {
            gain: along / length,
            delay,
            gain_variance: 0.0,
            delay_variance: 0.0,
            floor: 0.0,
        };
        if CLEARED.contains(&round) || (missing && round == 0) {
            hold(&mut held, target, there, &now.apply(other));
            pair.load(&held, other);
        }
        let plain;
        (plain, now.floor) = pair.weights(&pair.left(&now));
        if round > 0 && !pair.is_worth(&plain, delay, longest) {
            return None;
        }
        let shares = pair.coherent(delay);
        weights = plain.iter().zip(&shares).map(|(w, s)| w * s).collect();
        let information = 2.0 * pair.length(&weights) / pair.padding();
        now.gain_variance = 1.0 / information.max(1e-300);
        let turned = 2.0 * pair.turned(&weights) * now.gain.powi(2) / pair.padding();
        now.delay_variance = 1.0 / turned.max(1e-300);
        found = Some(now);
    }
    found
}

/// Where samples are missing or stand out of the rest, the other channel's share takes their place.
fn hold(held: &mut [f64], target: &[f64], there: &dyn Fn(usize) -> bool, share: &[f64]) {
    let mut rest: Vec<f64> = target.iter().zip(share).map(|(x, v)| x - v).collect();
    quieten(&mut rest, there);
    for ((h, r), v) in held.iter_mut().zip(&rest).zip(share) {
        *h = r + v;
    }
}

/// Puts the usual level where samples are missing or stand out.
pub(crate) fn quieten(rest: &mut [f64], there: &dyn Fn(usize) -> bool) {
    let mut present: Vec<f64> = (0..rest.len())
        .filter(|i| there(*i))
        .map(|i| rest[i])
        .collect();
    if present.is_empty() {
        rest.fill(0.0);
        return;
    }
    let level = median(&mut present);
    let about: Vec<f64> = rest.iter().map(|r| r - level).collect();
    let far = far_samples(&about, None, 40, false);
    for (i, r) in rest.iter_mut().enumerate() {
        if far[i] || !there(i) {
            *r = level;
        }
    }
}

/// Spectra of two channels of equal length, faded at the ends.
struct Pair {
    samples: usize,
    size: usize,
    target: Vec<Complex64>,
    other: Vec<Complex64>,
}

impl Pair {
    fn new(samples: usize, longest: usize) -> Self {
        let size = (samples + longest.min(samples)).next_power_of_two();
        Self {
            samples,
            size,
            target: Vec::new(),
            other: Vec::new(),
        }
    }

    fn bins(&self) -> usize {
        self.size / 2
    }

    /// Bins to one that is independent.
    fn padding(&self) -> f64 {
        self.size as f64 / self.samples as f64
    }

    fn load(&mut self, target: &[f64], other: &[f64]) {
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

    fn cross(&self, weights: &[f64]) -> Vec<Complex64> {
        let pairs = self.target.iter().zip(&self.other).zip(weights);
        pairs.map(|((x, y), w)| x * y.conj() * w).collect()
    }

    fn length(&self, weights: &[f64]) -> f64 {
        self.other
            .iter()
            .zip(weights)
            .map(|(y, w)| w * y.norm_sqr())
            .sum()
    }

    /// As the length, every frequency by its square, in radians a sample.
    fn turned(&self, weights: &[f64]) -> f64 {
        let step = 2.0 * PI / self.size as f64;
        let terms = self.other.iter().zip(weights).enumerate();
        terms
            .map(|(i, (y, w))| w * y.norm_sqr() * (i as f64 * step).powi(2))
            .sum()
    }

    /// Whole delay at which the correlation is largest; of equals the nearer.
    fn best_lag(&self, cross: &[Complex64], longest: usize) -> f64 {
        let mut all = cross.to_vec();
        all.resize(self.size, Complex64::default());
        fft::inverse_complex(self.size).process(&mut all);
        let reach = longest.min(self.size / 2 - 1) as i64;
        let size = |m: i64| {
            let value = all[m.rem_euclid(self.size as i64) as usize].re;
            value.abs() * (1.0 - 1e-6 * m.abs() as f64)
        };
        (-reach..=reach)
            .max_by(|a, b| size(*a).total_cmp(&size(*b)))
            .unwrap_or(0) as f64
    }

    /// Delay near `start` at which the correlation is largest, and its value there: Newton's steps.
    fn refine(&self, cross: &[Complex64], start: f64) -> (f64, f64) {
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
    fn is_worth(&self, weights: &[f64], delay: f64, longest: usize) -> bool {
        let along = self.correlation(&self.cross(weights), delay)[0];
        let explained = along * along / self.length(weights).max(1e-300);
        let tried = 2.0 * longest.min(self.samples) as f64 + 1.0;
        // Twice what even weights would need: these were chosen on the same samples.
        explained / self.padding() > 2.0 * (11.0 + tried.ln())
    }

    /// Share of every neighbourhood that is coherent at a delay, less what chance makes of it: where the other channel
    /// has nothing but noise of its own, it must not take from the gain.
    fn coherent(&self, delay: f64) -> Vec<f64> {
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

    /// Power of what is left at every frequency.
    fn left(&self, fit: &GainDelay) -> Vec<f64> {
        let step = 2.0 * PI / self.size as f64;
        let pairs = self.target.iter().zip(&self.other).enumerate();
        pairs
            .map(|(i, (x, y))| {
                let turn = Complex64::from_polar(fit.gain, -step * i as f64 * fit.delay);
                (x - turn * y).norm_sqr()
            })
            .collect()
    }

    /// Weights of a Student variable of four degrees of freedom about the usual power of the neighbourhood, and
    /// the mean of that power over all frequencies.
    fn weights(&self, left: &[f64]) -> (Vec<f64>, f64) {
        let width = (left.len() / 16).clamp(8, 64);
        let total: f64 = left.iter().sum();
        let least = (1e-20 * total / left.len() as f64).max(1e-300);
        let mut weights = Vec::with_capacity(left.len());
        let mut floor = 0.0;
        for part in left.chunks(width) {
            let from = (weights.len() + part.len()).saturating_sub(width);
            let mut near = left[from..weights.len() + part.len()].to_vec();
            let usual = usual_power(&mut near).max(least);
            floor += usual * part.len() as f64;
            weights.extend(part.iter().map(|p| 3.0 / (2.0 * usual + p)));
        }
        (weights, 2.0 * floor / self.size as f64)
    }
}

/// `x` later by `delay` samples; beyond its ends it goes on at its first and last value.
pub(crate) fn delayed(x: &[f64], delay: f64) -> Vec<f64> {
    let n = x.len();
    let lag = delay.round();
    let part = delay - lag;
    let shifted = if part == 0.0 || n < 4 {
        x.to_vec()
    } else {
        by_a_part(x, part)
    };
    let lag = lag as i64;
    (0..n as i64)
        .map(|i| shifted[(i - lag).clamp(0, n as i64 - 1) as usize])
        .collect()
}

/// Later by less than a sample, exact for all frequencies below half the rate; the record is continued by its
/// point reflection at either end.
fn by_a_part(x: &[f64], part: f64) -> Vec<f64> {
    let n = x.len();
    let beyond = CONTINUED.min(n - 1);
    let used = n + 2 * beyond;
    let size = (used + CONTINUED).next_power_of_two();
    let (forward, inverse) = (fft::forward(size), fft::inverse(size));
    let mut buffer = forward.make_input_vec();
    for i in 0..beyond {
        buffer[i] = 2.0 * x[0] - x[beyond - i];
        buffer[beyond + n + i] = 2.0 * x[n - 1] - x[n - 2 - i];
    }
    buffer[beyond..beyond + n].copy_from_slice(x);
    let (from, to) = (buffer[used - 1], buffer[0]);
    for i in used..size {
        let share = (i + 1 - used) as f64 / (size - used + 1) as f64;
        buffer[i] = from + (to - from) * share;
    }
    let mut spectrum = forward.make_output_vec();
    let mut scratch = forward.make_scratch_vec();
    fft::run_forward(&*forward, &mut buffer, &mut spectrum, &mut scratch);
    let scale = 1.0 / size as f64;
    for (i, z) in spectrum.iter_mut().enumerate() {
        *z *= Complex64::from_polar(scale, -2.0 * PI * i as f64 * part / size as f64);
    }
    spectrum[0].im = 0.0;
    if let Some(last) = spectrum.last_mut() {
        last.im = 0.0;
    }
    let mut scratch = inverse.make_scratch_vec();
    fft::run_inverse(&*inverse, &mut spectrum, &mut buffer, &mut scratch);
    buffer[beyond..beyond + n].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt as _, SeedableRng as _};
    use rand_chacha::ChaCha8Rng;

    fn noise(n: usize, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..n)
            .map(|_| (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0)
            .collect()
    }

    #[test]
    fn a_cosine_near_half_the_rate_is_delayed_by_a_part_of_a_sample() {
        let wave = |i: f64| (2.0 * PI * 0.49 * i + 0.3).cos();
        let x: Vec<f64> = (0..4000).map(|i| wave(f64::from(i))).collect();
        let y = delayed(&x, 3.37);
        for i in 300..3700 {
            let off = (y[i] - wave(i as f64 - 3.37)).abs();
            // The sum of the sinc's tail beyond the nearer end, a hundredth below half the rate: 1/(2π²·0.01·d).
            let d = i.min(4000 - i) as f64;
            assert!(off < 1.0 / (2.0 * PI * PI * 0.01 * d), "{i}: {off}");
        }
    }

    /// White common mode up to half the rate, noise at -80 dB: delay and gain are off by no more than five of
    /// their stated deviations, and what is left is that noise (and the few samples at the ends).
    #[test]
    fn white_common_mode_is_matched_to_its_noise() {
        let n = 20_000;
        let common = noise(n + 400, 1);
        let later = delayed(&common, 5.43);
        let own = noise(n, 2);
        let target: Vec<f64> = (0..n)
            .map(|i| -0.8 * later[i + 200] + 1e-4 * own[i])
            .collect();
        let other = &common[200..n + 200];
        let found = gain_and_delay(&target, &|_| true, other, 50).unwrap();
        assert!(
            (found.gain + 0.8).abs() < 5.0 * found.gain_variance.sqrt(),
            "{found:?}"
        );
        assert!(
            (found.delay - 5.43).abs() < 5.0 * found.delay_variance.sqrt(),
            "{found:?}"
        );
        // The samples that the delay brings in at the ends cost twenty times the noise's own 5e-7.
        assert!(found.delay_variance.sqrt() < 2e-5, "{found:?}");
        let left: f64 = found
            .apply(other)
            .iter()
            .zip(&target)
            .skip(50)
            .take(n - 100)
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f64>()
            / (n - 100) as f64;
        // Beyond the ends nothing is known: d samples from one the sinc's missing tail leaves 1/(2π²d) of white noise's power,
        // over the record 2·0.05·ln(200)/20,000: a root mean square of 0.005.
        assert!(left.sqrt() < 0.006, "{}", left.sqrt());
    }

    #[test]
    fn strangers_have_nothing_in_common() {
        // One in a thousand each.
        let found = (0..20).filter(|seed| {
            let (x, y) = (noise(3000, 100 + seed), noise(3000, 200 + seed));
            gain_and_delay(&x, &|_| true, &y, 60).is_some()
        });
        let found: Vec<u64> = found.collect();
        assert!(found.len() <= 1, "{found:?}");
        assert!(gain_and_delay(&[0.0; 100], &|_| true, &noise(100, 3), 5).is_none());
        assert!(gain_and_delay(&noise(100, 3), &|_| true, &[0.0; 100], 5).is_none());
    }
}

//! Gain and delay of one channel behind another.

use super::comparison::{less, power};
use super::delayed::delayed;
use super::pair::Pair;
use crate::separation::fit::far_samples;
use crate::separation::left_power::LeftPower;
use crate::spectrum::{fft, hann};
use crate::stats::{median, usual_power};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Rounds of weighting by what is left, and those after which samples far from the noise are left out.
const ROUNDS: usize = 6;
const CLEARED: [usize; 2] = [1, 3];
/// Sum over the samples beside an end, and those beyond it, of what the delay's kernel brings in of each other, about.
const ENDS: f64 = 3.0;

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

    /// What the applied channel is wrong by: for want of knowing gain and delay, and for want of what the other channel held
    /// before and after the record.
    pub(crate) fn doubt(&self, other: &[f64]) -> LeftPower {
        let mut left = LeftPower::default();
        left.add(self.gain_variance * power(other), 1.0, f64::INFINITY);
        let squared = self.gain * self.gain;
        left.add(
            self.delay_variance * squared * slope_power(other),
            1.0,
            f64::INFINITY,
        );
        let ends = beyond_ends(other, self.gain, [self.delay; 2]);
        left.add(ends, 2.0, f64::INFINITY);
        left
    }
}

/// Mean square of the change from sample to sample.
pub(crate) fn slope_power(other: &[f64]) -> f64 {
    let steps = other.windows(2).map(|w| (w[1] - w[0]).powi(2));
    steps.sum::<f64>() / (other.len().max(2) - 1) as f64
}

/// What a channel is wrong by that enters a target by a gain and, at the record's ends, these delays, for want of what it held before
/// and after the record.
///
/// A channel is continued by its point reflection, which errs by about its bend a sample; of an error next to the
/// record's end that share comes in again, over some samples on either side.
pub(crate) fn beyond_ends(other: &[f64], gain: f64, delays: [f64; 2]) -> f64 {
    let n = other.len().max(2) as f64;
    let bend = other
        .windows(3)
        .map(|w| (w[2] - 2.0 * w[1] + w[0]).powi(2))
        .sum::<f64>()
        / n;
    let squared = |delay: f64| ((PI * delay).sin() / PI).powi(2);
    let ends = ENDS * (squared(delays[0]) + squared(delays[1])) * bend / n;
    ends * (gain * gain)
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
    if target.len() < 16 || other.len() != target.len() {
        return None;
    }
    let mut found = [Search::EitherSign, Search::Positive, Search::Once]
        .into_iter()
        .filter_map(|search| search_and_fit(target, there, other, longest, search))
        .min_by(|a, b| a.1.total_cmp(&b.1))?
        .0;
    found.floor = floor(&less(target, &found.apply(other)), there);
    Some(found)
}

/// Where the correlation's peak is looked for.
#[derive(Clone, Copy, PartialEq)]
enum Search {
    /// Over all delays, twice; a channel may be the other one upside down.
    EitherSign,
    /// Upright alone.
    Positive,
    /// Once, before frequencies are weighted.
    Once,
}

/// A gain and a delay that start from one search, and the logarithm of what they leave by frequency.
fn search_and_fit(
    target: &[f64],
    there: &dyn Fn(usize) -> bool,
    other: &[f64],
    longest: usize,
    search: Search,
) -> Option<(GainDelay, f64)> {
    let n = target.len();
    let mut pair = Pair::new(n, longest);
    let mut held = target.to_vec();
    pair.load(&held, other);
    let mut weights = vec![1.0; pair.bins()];
    let mut found: Option<(GainDelay, f64)> = None;
    let searched = if search == Search::Once { 0 } else { 1 };
    let missing = (0..n).any(|i| !there(i));
    for round in 0..ROUNDS {
        let cross = pair.cross(&weights);
        let start = match found {
            Some((f, _)) if round > searched => f.delay,
            _ => pair.best_lag(&cross, longest, search != Search::Positive),
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
        let (plain, logarithm) = pair.weights(&pair.left(now.gain, now.delay));
        if round > 0 && !pair.is_worth(&plain, delay, longest) {
            return None;
        }
        let shares = pair.coherent(delay);
        weights = plain.iter().zip(&shares).map(|(w, s)| w * s).collect();
        let information = 2.0 * pair.length(&weights) / pair.padding();
        now.gain_variance = 1.0 / information.max(1e-300);
        let turned = 2.0 * pair.turned(&weights) * now.gain.powi(2) / pair.padding();
        now.delay_variance = 1.0 / turned.max(1e-300);
        found = Some((now, logarithm));
    }
    found
}

/// Where samples are missing or stand out of the rest, the other channel's share takes their place.
pub(super) fn hold(held: &mut [f64], target: &[f64], there: &dyn Fn(usize) -> bool, share: &[f64]) {
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

/// Power of what is left beside narrow lines and what stands out.
pub(crate) fn floor(rest: &[f64], there: &dyn Fn(usize) -> bool) -> f64 {
    if rest.len() < 16 {
        return power(rest);
    }
    let mut quiet = rest.to_vec();
    quieten(&mut quiet, there);
    let mean = quiet.iter().sum::<f64>() / quiet.len() as f64;
    let window = hann(quiet.len());
    let mut squares = 0.0;
    for (x, w) in quiet.iter_mut().zip(window) {
        *x = (*x - mean) * w;
        squares += w * w;
    }
    quiet.resize(quiet.len().next_power_of_two(), 0.0);
    let plan = fft::forward(quiet.len());
    let mut bins = plan.make_output_vec();
    if plan.process(&mut quiet, &mut bins).is_err() {
        return power(rest);
    }
    let powers: Vec<f64> = bins.iter().map(Complex64::norm_sqr).collect();
    let width = (powers.len() / 16).clamp(8, 64);
    let sum: f64 = powers
        .chunks(width)
        .map(|part| usual_power(&mut part.to_vec()) * part.len() as f64)
        .sum();
    sum / (squares * powers.len() as f64)
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

//! A channel brought to a target's clock and gain.

use super::blocks::{Block, blocks};
use super::track::{Told, Track};
use crate::separation::findings::Findings;
use crate::separation::methods::channels::{
    GainDelay, Record, beyond_ends, is_nearer, power, slope_power, warped,
};
use crate::stats::chi_square_quantile;

/// Rounds of blocks: those after the first see what is left of the drift within a block.
const ROUNDS: usize = 3;
/// Probability up to which the drift's error is reckoned with.
const HIGH: f64 = 0.975;

/// A channel whose gain and clock have been brought to a target's, so that one gain and one delay are left between them.
pub(crate) struct Followed {
    pub(crate) other: Vec<f64>,
    drift: Drift,
    /// Delay that is left, samples: at the channel's sample the drift is the target's so much later.
    delay: f64,
}

/// How gain and delay change; `None` where they do not.
#[derive(Default)]
struct Drift {
    gain: Option<Track>,
    delay: Option<Track>,
    /// Means over the record.
    mean_gain: f64,
    mean_delay: f64,
}

/// What a drift that blocks do not prove may be: mean squares of the gain's change and of the delay's, samples.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Hidden {
    gain: f64,
    delay: f64,
}

/// Brings the record's one other channel to the target's clock and gain where its blocks prove that they drift; what may be hidden
/// where one gain and one delay, about `whole`, serve.
pub(crate) fn follow(
    record: &Record<'_>,
    whole: &GainDelay,
    rate_hz: f64,
) -> Result<Followed, Hidden> {
    let [other] = record.others else {
        return Err(Hidden::default());
    };
    let n = record.target.len();
    let mut drift = Drift::default();
    let mut start = whole.delay;
    let mut hidden = Hidden::default();
    for round in 0..ROUNDS {
        let near = drift.brought(other, start, 0.0);
        let mut found = blocks(record, &near, rate_hz);
        for block in &mut found {
            block.gain.value *= drift.ratio(block.gain.at);
            block.delay.value += drift.later(block.delay.at);
        }
        if round == 0 {
            hidden = Hidden {
                gain: Track::hidden(&gains(&found), n),
                delay: Track::hidden(&delays(&found), n),
            };
        }
        drift = Drift::of(&found, n);
        if drift.gain.is_none() && drift.delay.is_none() {
            return Err(hidden);
        }
        start += drift.mean_delay;
    }
    let delay = start;
    let near = drift.brought(other, delay, 0.0);
    let gain = drift.gain.as_ref().map_or(whole.gain, |_| drift.mean_gain);
    let new: Vec<f64> = near.iter().map(|y| gain * y).collect();
    // The blocks prove the drift; the record as a whole must not speak against it.
    if is_nearer(record.target, &whole.apply(other), &new) {
        return Err(hidden);
    }
    Ok(Followed {
        other: drift.brought(other, 0.0, delay),
        drift,
        delay,
    })
}

impl Hidden {
    /// Adds what may be left of a channel that enters the target by this gain.
    pub(crate) fn add_doubt(&self, other: &[f64], gain: f64, found: &mut Findings) {
        found.unseen_power +=
            self.gain * power(other) + self.delay * gain * gain * slope_power(other);
    }
}

fn gains(blocks: &[Block]) -> Vec<Told> {
    blocks.iter().map(|block| block.gain).collect()
}

fn delays(blocks: &[Block]) -> Vec<Told> {
    blocks.iter().map(|block| block.delay).collect()
}

impl Drift {
    fn of(blocks: &[Block], samples: usize) -> Self {
        let gain = Track::through(&gains(blocks));
        let delay = Track::through(&delays(blocks));
        let mean = |track: &Option<Track>| track.as_ref().map_or(0.0, |t| t.mean(samples));
        Self {
            mean_gain: mean(&gain),
            mean_delay: mean(&delay),
            gain,
            delay,
        }
    }

    /// Gain at a sample of the target, of the mean.
    fn ratio(&self, sample: f64) -> f64 {
        let track = self.gain.as_ref();
        track.map_or(1.0, |track| track.at(sample) / self.mean_gain)
    }

    /// Delay at a sample of the target, beyond the mean.
    fn later(&self, sample: f64) -> f64 {
        let track = self.delay.as_ref();
        track.map_or(0.0, |track| track.at(sample) - self.mean_delay)
    }

    /// A channel with the drift, and with a constant delay in front; its samples are the target's so much earlier.
    fn brought(&self, other: &[f64], delay: f64, earlier: f64) -> Vec<f64> {
        let place = |i: usize| i as f64 + earlier;
        let mut brought = warped(other, &|i| delay + self.later(place(i)));
        for (i, y) in brought.iter_mut().enumerate() {
            *y *= self.ratio(place(i));
        }
        brought
    }
}

impl Followed {
    /// Adds what the channel is wrong by in the target, which it enters by this gain, for want of knowing the drift.
    ///
    /// The channel's own noise moves the drift as it moves what is fitted to the channel afterwards, and one error may make up for the
    /// other: that of the drift may be left, or may not.
    pub(crate) fn add_doubt(&self, gain: f64, found: &mut Findings) {
        let square = gain * gain;
        let mut most = |track: &Track, power: f64| {
            let degrees = track.parameters.max(1.0);
            let most = chi_square_quantile(HIGH, degrees) / degrees;
            found.unsure_power += square * most * track.variance * power;
        };
        if let Some(track) = &self.drift.gain {
            most(track, power(&self.other) / self.drift.mean_gain.powi(2));
        }
        if let Some(track) = &self.drift.delay {
            most(track, slope_power(&self.other));
        }
        let ends = [0.0, self.other.len() as f64].map(|at| self.drift.later(at));
        let ends = beyond_ends(&self.other, gain, ends);
        found.left.add(ends, 2.0, f64::INFINITY);
    }

    /// Of the weights of the channel's samples (0: missing) those of the samples as they are brought.
    pub(crate) fn weights(&self, weights: &[f32]) -> Vec<f32> {
        let last = weights.len() as i64 - 1;
        let from = |i: usize| {
            let lag = self.drift.later(i as f64 + self.delay).round() as i64;
            weights[(i as i64 - lag).clamp(0, last) as usize]
        };
        (0..weights.len()).map(from).collect()
    }

    /// How gain and delay drift, in words.
    pub(crate) fn told(&self, rate_hz: f64) -> String {
        let ends = [0.0, self.other.len() as f64];
        let mut told = Vec::new();
        if self.drift.gain.is_some() {
            let [from, to] = ends.map(|at| 100.0 * (self.drift.ratio(at) - 1.0));
            told.push(format!("gain from {from:+.3} to {to:+.3} % of its mean"));
        }
        if self.drift.delay.is_some() {
            let [from, to] = ends.map(|at| 1e6 * self.drift.later(at) / rate_hz);
            told.push(format!("delay from {from:+.2} to {to:+.2} us of its mean"));
        }
        format!("a slow drift was followed: {}", told.join(", "))
    }
}

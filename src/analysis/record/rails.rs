//! Clipping: samples at the limit of the range.

use crate::stats::{f_cdf, median};

/// Runs of equal extreme values from which a rail is inferred.
const RUN: usize = 3;
/// Runs needed at one extreme.
const RUNS: usize = 2;
/// Samples needed at an extreme to infer a rail from their number.
const FEWEST: usize = 5;
/// Probability that a record that was not clipped holds as many at one extreme.
const FALSE_ALARM: f64 = 1e-5;
/// Most that a flat crest holds on its last level of what it holds on the last two, (1/2)^¼, and of the last hundred,
/// (1/100)^¼, both rounded up.
const OF_TWO: f64 = 0.85;
const OF_HUNDRED: f64 = 0.32;
/// As many times the next level's samples a crest holds at most on its last one.
const OVER_NEXT: usize = 6;
/// Share at one extreme from which a rest before and after an event must be ruled out: more runs are asked for.
const MUCH: f64 = 0.25;
/// Samples from one rail to the other below which the record is a square wave.
const FLANK: usize = 2;
/// Other values that a record has to hold for an extreme to tell of a rail: an input that hardly leaves one level rests on it.
const OTHER_LEVELS: usize = 3;
/// Values next to an extreme that are looked at, and steps below it over which samples are counted.
const NEIGHBOURS: usize = 8;
const STEPS: f64 = 99.0;

/// The limits of the range, stated or inferred, and what was found at them.
///
/// A stated full scale counts every sample at or beyond it (within half a step). Stated or not, a rail
/// is an extreme value that the record holds in at least two runs of three or more equal samples
/// (noise never stands still at its own extreme), or more often than any crest could hold it.
///
/// Within q of a sine's crest without noise lie √q of the samples within 1, within q of the flattest that two
/// orders make (a quartic) q^¼: of the last two levels the outer holds at most 0.84, of the last hundred
/// 0.32. The extreme's count given both is binomial; a rail is told where one as large has a probability
/// below 1e-5. No rail: what rests at a level before and after an event, and a square wave, whose flanks are steeper
/// than the sampling.
#[derive(Debug, Clone)]
pub(crate) struct Rails {
    high: f64,
    low: f64,
    /// Whether the lower and the upper rail are the record's own extremes.
    inferred: (bool, bool),
    clipped: u64,
}

impl Rails {
    pub(crate) fn new(full_scale: Option<f64>, lsb: Option<f64>) -> Self {
        let (low, high) = match full_scale {
            // Two's complement reaches one step less on the upper side.
            Some(limit) => (
                -limit + 0.5 * lsb.unwrap_or(0.0) + 1e-9 * limit,
                limit - 1.5 * lsb.unwrap_or(0.0) - 1e-9 * limit,
            ),
            None => (f64::NEG_INFINITY, f64::INFINITY),
        };
        Self {
            high,
            low,
            inferred: (false, false),
            clipped: 0,
        }
    }

    /// Infers rails from a stretch of the record: an input stage may limit below a stated range.
    pub(crate) fn learn(&mut self, samples: &[f64]) {
        let (min, max) = finite_range(samples);
        if !(max > min) {
            return;
        }
        // A capture of a few levels stands still everywhere: runs tell nothing there.
        let later = samples.get(1..).unwrap_or(&[]);
        let inside = |x: f64| x > min && x < max;
        let pairs = || samples.iter().zip(later).filter(|(a, _)| inside(**a));
        let still = pairs().filter(|(a, b)| a == b).count();
        let moving = still * 5 <= pairs().count();
        let told = |extreme: f64, sign: f64| {
            let at = samples.iter().filter(|&&x| x == extreme).count();
            if at < FEWEST || is_dropped_to(samples, extreme) {
                return false;
            }
            let stays = runs(samples, extreme);
            let rests = at as f64 > MUCH * samples.len() as f64 && stays <= RUNS;
            let crest = Crest::new(samples, extreme, sign);
            let stands = moving
                && crest.levels >= OTHER_LEVELS
                && at >= RUN * RUNS
                && stays >= RUNS
                && (crest.most <= 1 || at > OVER_NEXT * crest.most + stays);
            !rests && (stands || crest.crowded(at))
        };
        let (high, low) = (told(max, 1.0), told(min, -1.0));
        if high && low && square(samples, min, max) {
            return;
        }
        if high {
            self.high = self.high.min(max);
            self.inferred.1 = self.high == max;
        }
        if low {
            self.low = self.low.max(min);
            self.inferred.0 = self.low == min;
        }
    }

    /// What a marked sample is known to lie below or above: the rail, half a step inwards where rounding
    /// put it there; the record's own extreme where the source marked it.
    pub(crate) fn limits(&self, marked: &[f64], step: Option<f64>) -> (f64, f64) {
        let finite = || marked.iter().copied().filter(|x| x.is_finite());
        let inwards = |inferred: bool| {
            if inferred {
                0.5 * step.unwrap_or(0.0)
            } else {
                0.0
            }
        };
        let above = if self.high.is_finite() {
            self.high - inwards(self.inferred.1)
        } else {
            finite().fold(f64::NEG_INFINITY, f64::max)
        };
        let below = if self.low.is_finite() {
            self.low + inwards(self.inferred.0)
        } else {
            finite().fold(f64::INFINITY, f64::min)
        };
        (below, above)
    }

    /// Whether samples from `min` to `max` all lie between the rails.
    pub(crate) fn hold(&self, min: f64, max: f64) -> bool {
        self.low < min && max < self.high
    }

    /// Counts the samples at the rails and marks them as overload.
    pub(crate) fn mark(&mut self, samples: &mut [f64]) {
        for x in samples {
            if *x >= self.high {
                *x = f64::INFINITY;
                self.clipped += 1;
            } else if *x <= self.low {
                *x = f64::NEG_INFINITY;
                self.clipped += 1;
            }
        }
    }

    /// Whether a sample stands at or beyond a rail.
    pub(crate) fn beyond(&self, x: f64) -> bool {
        x >= self.high || x <= self.low
    }

    pub(crate) fn clipped(&self) -> u64 {
        self.clipped
    }
}

/// Least and largest of the finite samples; infinite the other way round without any.
fn finite_range(samples: &[f64]) -> (f64, f64) {
    const LANES: usize = 8;
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let (blocks, last) = samples.as_chunks::<LANES>();
    let mut take = |i: usize, x: f64| {
        let finite = x.abs() < f64::INFINITY;
        low[i] = if finite && x < low[i] { x } else { low[i] };
        high[i] = if finite && x > high[i] { x } else { high[i] };
    };
    for block in blocks {
        for (i, &x) in block.iter().enumerate() {
            take(i, x);
        }
    }
    for &x in last {
        take(0, x);
    }
    (
        low.iter().copied().fold(f64::INFINITY, f64::min),
        high.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// Whether the record falls to an extreme and comes back from it by more than it moves elsewhere: what is written for lost samples, and
/// no limit, which is come to by and by.
fn is_dropped_to(samples: &[f64], extreme: f64) -> bool {
    let mut falls: Vec<f64> = Vec::new();
    let mut from = 0;
    for run in samples.chunk_by(|a, b| a == b) {
        let to = from + run.len();
        if run[0] == extreme && run.len() >= RUN {
            let beside = [from.checked_sub(1), Some(to)];
            let beside = beside.iter().flatten().filter_map(|n| samples.get(*n));
            falls.extend(
                beside
                    .filter(|x| x.is_finite())
                    .map(|x| (x - extreme).abs()),
            );
        }
        from = to;
    }
    if falls.is_empty() {
        return false;
    }
    let elsewhere = samples
        .windows(2)
        .filter(|pair| pair.iter().all(|x| *x != extreme));
    let most = elsewhere
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|d| d.is_finite())
        .fold(0.0, f64::max);
    median(&mut falls) > most
}

fn runs(samples: &[f64], extreme: f64) -> usize {
    let mut count = 0;
    let mut length = 0;
    for &x in samples {
        if x == extreme {
            length += 1;
            count += usize::from(length == RUN);
        } else {
            length = 0;
        }
    }
    count
}

/// Whether the samples go from one extreme to the other in less than [`FLANK`] samples.
fn square(samples: &[f64], min: f64, max: f64) -> bool {
    let (mut between, mut flanks, mut last) = (0usize, 0usize, None);
    for &x in samples.iter().filter(|x| x.is_finite()) {
        if x == min || x == max {
            flanks += usize::from(last.is_some_and(|l: f64| l != x));
            last = Some(x);
        } else {
            between += 1;
        }
    }
    between < FLANK * flanks
}

/// What lies next to an extreme.
struct Crest {
    /// Most samples on one of the next values; none where there are too few values.
    most: usize,
    /// Samples within a hundred steps of the extreme, those on it left out.
    beside: usize,
    levels: usize,
}

impl Crest {
    /// Of the highest (`sign` 1) or lowest (-1) value.
    fn new(samples: &[f64], extreme: f64, sign: f64) -> Self {
        let count_at = |value: f64| samples.iter().filter(|&&x| x == value).count();
        let (mut value, mut step, mut most, mut levels) = (sign * extreme, f64::INFINITY, 0, 0);
        while levels < NEIGHBOURS {
            let next = samples
                .iter()
                .map(|x| sign * x)
                .filter(|&x| x < value && x.is_finite())
                .fold(f64::NEG_INFINITY, f64::max);
            if !next.is_finite() {
                break;
            }
            step = step.min(value - next);
            most = most.max(count_at(sign * next));
            value = next;
            levels += 1;
        }
        let beside = samples
            .iter()
            .map(|x| sign * (extreme - x))
            .filter(|&d| d > 0.0 && d <= STEPS * step)
            .count();
        Self {
            most,
            beside,
            levels,
        }
    }

    /// Whether an extreme with so many samples holds more than a crest could.
    fn crowded(&self, at: usize) -> bool {
        self.levels == NEIGHBOURS
            && (at_least(at, at + self.most, OF_TWO) < FALSE_ALARM
                || (self.most == 1 && at_least(at, at + self.beside, OF_HUNDRED) < FALSE_ALARM))
    }
}

/// Probability of `successes` or more in `trials` of a binomial: the incomplete beta function, as F.
fn at_least(successes: usize, trials: usize, probability: f64) -> f64 {
    let (d1, d2) = (
        2.0 * successes as f64,
        2.0 * (trials - successes + 1) as f64,
    );
    f_cdf(d2 * probability / (d1 * (1.0 - probability)), d1, d2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    /// Samples told to be clipped, and the upper limit then.
    fn clipped(mut samples: Vec<f64>) -> (u64, f64) {
        let mut rails = Rails::new(None, None);
        rails.learn(&samples);
        rails.mark(&mut samples);
        (rails.clipped(), rails.limits(&samples, None).1)
    }

    #[test]
    fn a_clipped_sine_shows_its_rails_and_a_clean_one_none() {
        let sine = |limit: f64| -> Vec<f64> {
            (0..2000)
                .map(|i| (f64::from(i) * 0.0631).sin().clamp(-limit, limit))
                .collect()
        };
        assert!(clipped(sine(0.95)).0 > 300);
        assert_eq!(clipped(sine(2.0)).0, 0);
    }

    #[test]
    fn a_stated_full_scale_counts_without_runs() {
        let mut rails = Rails::new(Some(1.0), Some(0.01));
        rails.mark(&mut [0.5, 0.99, 1.0, -1.0, -0.98]);
        assert_eq!(rails.clipped(), 3);
    }

    fn noise() -> impl Iterator<Item = f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        std::iter::repeat_with(move || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0)
    }

    /// Noise on the crest keeps a rail from standing still; the number of samples on it tells.
    #[test]
    fn a_rail_that_noise_leaves_and_meets_again_is_told_by_its_count() {
        for count in [1000u32, 10_000] {
            let samples: Vec<f64> = (0..count)
                .zip(noise())
                .map(|(i, n)| (10.0 * (f64::from(i) * 0.0631).sin() + n).min(10.8))
                .collect();
            let expected = samples.iter().filter(|&&x| x == 10.8).count() as u64;
            assert!(expected > u64::from(count) / 50);
            assert_eq!(clipped(samples), (expected, 10.8));
        }
    }

    /// A shorted input hardly leaves one level of a coarse converter: it rests there, at no limit.
    #[test]
    fn an_input_on_few_levels_shows_no_rail() {
        for edge in [0.6, 1.5, 2.2] {
            let level = |x: f64| if x > edge { 0.01 } else { 0.0 };
            assert_eq!(clipped(noise().take(5000).map(level).collect()).0, 0);
        }
    }

    /// Crests without noise crowd at their extreme; coarse and fine steps, repeated and drifting phases.
    #[test]
    fn crests_and_quantised_noise_are_no_rails() {
        for bits in [16, 24] {
            let scale = 2f64.powi(bits - 1) - 10.3;
            for turn in [0.0631, 0.0314159, std::f64::consts::TAU / 200.0] {
                let sine = (0..20_000).map(|i| (f64::from(i) * turn + 0.2).sin() * scale);
                assert_eq!(clipped(sine.map(f64::round).collect()).0, 0, "{turn}");
            }
        }
        for steps in [0.3, 1.0, 8.0] {
            let quantised = noise().take(20_000).map(|n| (n * steps).round());
            assert_eq!(clipped(quantised.collect()).0, 0, "{steps}");
        }
    }
}

//! The common phase of a harmonic series against time.
//!
//! State: phase deviation (rad) and frequency deviation (Hz) from a reference, those of the line that fits a segment best; the
//! frequency walks at random with intensity q (Hz²/s). A Kalman filter gives the likelihood of q; the track is the sum of what a
//! filter forwards and one backwards know (Fraser & Potter, IEEE Trans. Autom. Control 14(4), 1969). Both run
//! in information form, where a segment that says nothing adds nothing, be it the first or the last.
//! q = 0 is the straight line.

use std::f64::consts::TAU;
use std::ops::Range;

/// What one segment says: phase at its centre and frequency over it, with their variances
/// (infinite where it says nothing).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Observation {
    pub(crate) time_s: f64,
    pub(crate) phase: f64,
    pub(crate) phase_variance: f64,
    pub(crate) frequency_hz: f64,
    pub(crate) frequency_variance: f64,
}

/// Smoothed state at one time.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct State {
    pub(crate) phase: f64,
    pub(crate) frequency_hz: f64,
    /// Variances of phase and frequency, and their covariance.
    pub(crate) phase_variance: f64,
    pub(crate) frequency_variance: f64,
    pub(crate) covariance: f64,
}

/// A smoothed track and the walk it was smoothed with.
#[derive(Debug, Clone)]
pub(crate) struct SmoothTrack {
    pub(crate) states: Vec<State>,
    /// Intensity of the frequency's random walk, Hz²/s; 0: steady.
    pub(crate) walk: f64,
}

/// Log-likelihood that a wandering frequency must gain over a steady one: 1 % false alarms.
const WANDER_GAIN: f64 = 3.3;

/// Random walk of a lively grid's frequency, Hz/√s (common practice, no source).
pub(crate) const LIVELY_WALK: f64 = 0.05;
/// Log-likelihood that each factor of ten of the intensity beyond a lively grid's has to gain: what else is in the segments
/// looks like a walk.
const UNLIKELY: f64 = 6.0;

impl SmoothTrack {
    /// Chooses the walk by maximum likelihood and smooths.
    pub(crate) fn new(observations: &[Observation]) -> Self {
        let walk = likeliest_walk(&[observations]);
        Self {
            states: smooth(observations, walk),
            walk,
        }
    }

    /// Phase at the outer end of the first or last segment, half a segment from its state, with its variance.
    ///
    /// The segment's own line was fitted up to its end: of a phase whose frequency walks by q, a line over L
    /// misses the end by (2π)²qL³/105 in the mean square.
    pub(crate) fn extrapolate(&self, state: &State, by_s: f64) -> (f64, f64) {
        let turn = TAU * by_s;
        let drift = TAU * TAU * self.walk * (2.0 * by_s.abs()).powi(3) / 105.0;
        (
            state.phase + turn * state.frequency_hz,
            state.phase_variance
                + turn * turn * state.frequency_variance
                + 2.0 * turn * state.covariance
                + drift,
        )
    }
}

/// What is known of a state: the inverse of its covariance (of phase, of both, of frequency), and that times the state.
#[derive(Debug, Clone, Copy, Default)]
struct Information([f64; 5]);

impl Information {
    /// Next to nothing: a deviation of a million radians and 100 Hz, so that what is never observed stays finite.
    const FAINT: Self = Self([1e-12, 0.0, 1e-4, 0.0, 0.0]);

    /// What is known of a segment of `length_s` `dt` later (earlier, where negative) when the frequency walks by `walk`.
    ///
    /// Lines fitted to a walk follow it by parts: where two segments meet, each misses the phase by (2π)²qL³/105 in the mean
    /// square and the frequency by 13qL/35, independently of each other; between segments that do not meet it walks in full.
    fn predicted(&self, dt: f64, walk: f64, length_s: f64) -> Self {
        let Self([phase, cross, frequency, m1, m2]) = *self;
        let turn = TAU * dt;
        // Carried along the line: F⁻ᵀ·Y·F⁻¹ with F = [[1, 2πdt], [0, 1]].
        let (a, b) = (phase, cross - turn * phase);
        let c = frequency - turn * (2.0 * cross - turn * phase);
        let m2 = m2 - turn * m1;
        if walk == 0.0 {
            return Self([a, b, c, m1, m2]);
        }
        // Lessened by the walk's covariance Q: (I + M·Q)⁻¹·M.
        let between = (dt.abs() - length_s).max(0.0);
        let slope = walk * (between + 26.0 / 35.0 * length_s);
        let beside = walk * (between.powi(3) / 12.0 + 2.0 / 105.0 * length_s.powi(3));
        let (q11, q12, q22) = (
            turn * turn / 4.0 * slope + TAU * TAU * beside,
            turn / 2.0 * slope,
            slope,
        );
        let (n11, n12) = (1.0 + a * q11 + b * q12, a * q12 + b * q22);
        let (n21, n22) = (b * q11 + c * q12, 1.0 + b * q12 + c * q22);
        let determinant = n11 * n22 - n12 * n21;
        let lessened = [
            n22 * a - n12 * b,
            n22 * b - n12 * c,
            n11 * c - n21 * b,
            n22 * m1 - n12 * m2,
            n11 * m2 - n21 * m1,
        ];
        Self(lessened.map(|value| value / determinant))
    }

    /// What a segment says.
    fn of(observation: &Observation) -> Self {
        let phase = 1.0 / observation.phase_variance;
        let frequency = 1.0 / observation.frequency_variance;
        Self([
            phase,
            0.0,
            frequency,
            phase * observation.phase,
            frequency * observation.frequency_hz,
        ])
    }

    /// With what something else says added.
    fn and(&self, other: &Self) -> Self {
        Self(std::array::from_fn(|i| self.0[i] + other.0[i]))
    }

    fn state(&self) -> State {
        let Self([phase, cross, frequency, m1, m2]) = *self;
        let determinant = phase * frequency - cross * cross;
        State {
            phase: (frequency * m1 - cross * m2) / determinant,
            frequency_hz: (phase * m2 - cross * m1) / determinant,
            phase_variance: frequency / determinant,
            frequency_variance: phase / determinant,
            covariance: -cross / determinant,
        }
    }
}

/// Log-likelihood of what a segment says against a predicted state.
fn log_likelihood(state: &State, observation: &Observation) -> f64 {
    let gaussian =
        |surprise: f64, variance: f64| -0.5 * (surprise * surprise / variance + variance.ln());
    let (mut frequency, mut variance) = (state.frequency_hz, state.frequency_variance);
    let mut sum = 0.0;
    if observation.phase_variance.is_finite() {
        let total = state.phase_variance + observation.phase_variance;
        let surprise = observation.phase - state.phase;
        sum += gaussian(surprise, total);
        frequency += state.covariance / total * surprise;
        variance -= state.covariance / total * state.covariance;
    }
    if observation.frequency_variance.is_finite() {
        sum += gaussian(
            observation.frequency_hz - frequency,
            variance.max(0.0) + observation.frequency_variance,
        );
    }
    sum
}

/// Walk of greatest likelihood over runs whose phases say nothing of each other.
fn likeliest_walk(runs: &[&[Observation]]) -> f64 {
    let total = |walk: f64| -> f64 { runs.iter().map(|run| likelihood(run, walk)).sum() };
    let mut best = (0.0, total(0.0) + WANDER_GAIN);
    if runs.iter().any(|run| run.len() > 3) {
        for i in 0..=32 {
            let walk = 10f64.powf(-8.0 + 0.25 * f64::from(i));
            let gained =
                total(walk) - UNLIKELY * (walk / (LIVELY_WALK * LIVELY_WALK)).log10().max(0.0);
            if gained > best.1 {
                best = (walk, gained);
            }
        }
    }
    best.0
}

/// Joins runs of segments between which nothing is heard: each run's phases are right but for whole multiples of `period`
/// (rad), and what the runs before it say of its phase and frequency tells which. Where that leaves two multiples open
/// (odds under a thousand to one), the shorter side keeps its frequencies only.
pub(crate) fn join_runs(observations: &mut [Observation], runs: &[Range<usize>], period: f64) {
    let parts: Vec<&[Observation]> = runs.iter().map(|r| &observations[r.clone()]).collect();
    let walk = likeliest_walk(&parts);
    let Some((first, others)) = runs.split_first() else {
        return;
    };
    let mut joined: Vec<usize> = first.clone().collect();
    for run in others {
        let (before, after) = observations.split_at(run.start);
        let (Some(last), Some(next)) = (before.last(), after.first()) else {
            return;
        };
        let Some(expected) = filter(before, walk).last().map(|known| {
            let dt = next.time_s - last.time_s;
            known.predicted(dt, walk, spacing(observations, dt)).state()
        }) else {
            return;
        };
        let found = smooth(&after[..run.len()], walk)[0];
        let nearest = ((expected.phase - found.phase) / period).round();
        // The frequencies pull too: the best multiple need not be that of the nearest phase.
        let mut shifts: Vec<(f64, f64)> = (-8..=8)
            .map(|i| (nearest + f64::from(i)) * period)
            .map(|shift| (mismatch(&expected, &found, shift), shift))
            .collect();
        shifts.sort_by(|a, b| a.0.total_cmp(&b.0));
        if shifts[1].0 - shifts[0].0 > 2.0 * f64::ln(1000.0) {
            for o in &mut observations[run.clone()] {
                o.phase += shifts[0].1;
            }
            joined.extend(run.clone());
            continue;
        }
        let mut open: Vec<usize> = run.clone().collect();
        if open.len() > joined.len() {
            std::mem::swap(&mut open, &mut joined);
        }
        for i in open {
            observations[i].phase_variance = f64::INFINITY;
        }
    }
}

/// Length of a segment: the least distance between neighbours, `most` at most.
fn spacing(observations: &[Observation], most: f64) -> f64 {
    let apart = observations.windows(2).map(|w| w[1].time_s - w[0].time_s);
    apart.fold(most, f64::min)
}

/// Squared distance between what two sides say of one state, in deviations, with `shift` added to the second's phase.
fn mismatch(one: &State, other: &State, shift: f64) -> f64 {
    let (p, c, f) = (
        one.phase_variance + other.phase_variance,
        one.covariance + other.covariance,
        one.frequency_variance + other.frequency_variance,
    );
    let (dp, df) = (
        other.phase + shift - one.phase,
        other.frequency_hz - one.frequency_hz,
    );
    (f * dp * dp - 2.0 * c * dp * df + p * df * df) / (p * f - c * c)
}

/// Passes segments in the order given: what is known of each from those before it, and with it.
fn passed<'a>(
    observations: impl Iterator<Item = &'a Observation>,
    start: Information,
    walk: f64,
) -> impl Iterator<Item = (Information, Information)> {
    let mut known = start;
    let mut time = None;
    observations.map(move |observation| {
        let dt = observation.time_s - time.unwrap_or(observation.time_s);
        let before = known.predicted(dt, walk, dt.abs());
        time = Some(observation.time_s);
        known = before.and(&Information::of(observation));
        (before, known)
    })
}

/// Log-likelihood of a walk.
fn likelihood(observations: &[Observation], walk: f64) -> f64 {
    passed(observations.iter(), Information::FAINT, walk)
        .zip(observations)
        .map(|((before, _), observation)| log_likelihood(&before.state(), observation))
        .sum()
}

/// What each segment and those before it say.
fn filter(observations: &[Observation], walk: f64) -> Vec<Information> {
    passed(observations.iter(), Information::FAINT, walk)
        .map(|(_, known)| known)
        .collect()
}

fn smooth(observations: &[Observation], walk: f64) -> Vec<State> {
    // Backwards: what is known of each from later ones alone.
    let later = passed(observations.iter().rev(), Information::default(), walk);
    let mut states: Vec<State> = filter(observations, walk)
        .iter()
        .rev()
        .zip(later)
        .map(|(earlier, (later, _))| earlier.and(&later).state())
        .collect();
    states.reverse();
    states
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn observations(
        count: usize,
        frequency: impl Fn(f64) -> f64,
        phase: impl Fn(f64) -> f64,
    ) -> Vec<Observation> {
        (0..count)
            .map(|i| {
                let time_s = 0.5 + i as f64;
                Observation {
                    time_s,
                    phase: phase(time_s),
                    phase_variance: 1e-6,
                    frequency_hz: frequency(time_s),
                    frequency_variance: 1e-5,
                }
            })
            .collect()
    }

    fn steady(count: usize) -> Vec<Observation> {
        observations(count, |_| 0.01, |t| TAU * 0.01 * t)
    }

    #[test]
    fn a_steady_frequency_is_a_straight_line() {
        let track = SmoothTrack::new(&steady(20));
        assert_eq!(track.walk, 0.0);
        for state in &track.states {
            assert_relative_eq!(state.frequency_hz, 0.01, max_relative = 1e-6);
        }
        // Variance of a slope from equal phases: σ²/Σ(t−t̄)², over (2π)².
        let expected = 1e-6 / (20.0 * 399.0 / 12.0) / (TAU * TAU);
        assert_relative_eq!(
            track.states[10].frequency_variance,
            expected,
            max_relative = 0.01
        );
    }

    #[test]
    fn a_bend_is_followed() {
        let bend = |t: f64| 0.02 * (t - 10.0).max(0.0);
        let phase = |t: f64| TAU * 0.01 * (t - 10.0).max(0.0).powi(2);
        let track = SmoothTrack::new(&observations(20, bend, phase));
        assert!(track.walk > 0.0);
        assert_relative_eq!(
            track.states[19].frequency_hz,
            bend(19.5),
            max_relative = 0.02
        );
    }

    /// Silence before, after and between leaves the line where it was, and its variance is finite and grows outwards.
    #[test]
    fn silent_segments_add_nothing() {
        let mut told = steady(400);
        for (i, o) in told.iter_mut().enumerate() {
            if !(100..150).contains(&i) && !(200..300).contains(&i) {
                o.phase = 1.0;
                o.phase_variance = f64::INFINITY;
                o.frequency_variance = f64::INFINITY;
            }
        }
        for walk in [0.0, 1e-8, 1e-6] {
            let states = smooth(&told, walk);
            for (state, o) in states.iter().zip(&told) {
                assert_relative_eq!(state.frequency_hz, 0.01, max_relative = 1e-6);
                let phase = TAU * 0.01 * o.time_s;
                assert_relative_eq!(state.phase, phase, epsilon = 1e-6, max_relative = 1e-6);
                assert!(state.phase_variance > 0.0 && state.frequency_variance > 0.0);
            }
            assert!(states[0].phase_variance > states[50].phase_variance);
            assert!(states[399].phase_variance > states[350].phase_variance);
        }
    }

    /// A run after silence, three turns of half a radian off, is brought back; one whose turn cannot be told keeps its
    /// frequencies alone.
    #[test]
    fn runs_are_joined_where_the_turn_is_known() {
        let runs = [0..30, 40..60];
        for (silence_s, joined) in [(10.0, true), (1e6, false)] {
            let mut told = steady(60);
            for (i, o) in told.iter_mut().enumerate() {
                if i >= 40 {
                    o.time_s += silence_s - 10.0;
                    o.phase += TAU * 0.01 * (silence_s - 10.0) + 1.5;
                } else if i >= 30 {
                    o.phase_variance = f64::INFINITY;
                    o.frequency_variance = f64::INFINITY;
                }
            }
            join_runs(&mut told, &runs, 0.5);
            for o in &told[40..] {
                assert_eq!(o.phase_variance.is_finite(), joined);
                if joined {
                    assert_relative_eq!(o.phase, TAU * 0.01 * o.time_s, max_relative = 1e-9);
                }
            }
        }
    }
}

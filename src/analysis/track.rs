//! The common phase of a harmonic series against time.
//!
//! State: phase deviation (rad) and frequency deviation (Hz) from a reference; the frequency walks at
//! random with intensity q (Hz²/s). A Kalman filter gives the likelihood of q, a Rauch-Tung-Striebel
//! smoother the track (Rauch, Tung & Striebel, AIAA Journal 3(8), 1965). q = 0 is the straight line.

use std::f64::consts::TAU;

/// What one segment says: phase at its centre and frequency over it, with their variances
/// (infinite where it says nothing).
#[derive(Debug, Clone, Copy)]
pub(super) struct Observation {
    pub(super) time_s: f64,
    pub(super) phase: f64,
    pub(super) phase_variance: f64,
    pub(super) frequency_hz: f64,
    pub(super) frequency_variance: f64,
}

/// Smoothed state at one time.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct State {
    pub(super) phase: f64,
    pub(super) frequency_hz: f64,
    /// Variances of phase and frequency, and their covariance.
    pub(super) phase_variance: f64,
    pub(super) frequency_variance: f64,
    pub(super) covariance: f64,
}

/// A smoothed track and the walk it was smoothed with.
#[derive(Debug, Clone)]
pub(super) struct SmoothTrack {
    pub(super) states: Vec<State>,
    /// Intensity of the frequency's random walk, Hz²/s; 0: steady.
    pub(super) walk: f64,
}

/// Log-likelihood that a wandering frequency must gain over a steady one: 1 % false alarms.
const WANDER_GAIN: f64 = 3.3;

impl SmoothTrack {
    /// Chooses the walk by maximum likelihood and smooths.
    pub(super) fn new(observations: &[Observation]) -> Self {
        let steady = filter(observations, 0.0).0;
        let mut best = (0.0, steady + WANDER_GAIN);
        if observations.len() > 3 {
            for i in 0..=32 {
                let walk = 10f64.powf(-8.0 + 0.25 * f64::from(i));
                let likelihood = filter(observations, walk).0;
                if likelihood > best.1 {
                    best = (walk, likelihood);
                }
            }
        }
        Self {
            states: smooth(observations, best.0),
            walk: best.0,
        }
    }

    /// Phase at the outer end of the first or last segment, half a segment from its state, with its variance.
    ///
    /// The segment's own line was fitted up to its end: of a phase whose frequency walks by q, a line over L
    /// misses the end by (2π)²qL³/105 in the mean square.
    pub(super) fn extrapolate(&self, state: &State, by_s: f64) -> (f64, f64) {
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

fn predict(state: &State, dt: f64, walk: f64) -> State {
    let turn = TAU * dt;
    State {
        phase: state.phase + turn * state.frequency_hz,
        frequency_hz: state.frequency_hz,
        phase_variance: state.phase_variance
            + 2.0 * turn * state.covariance
            + turn * turn * state.frequency_variance
            + walk * TAU * TAU * dt.powi(3) / 3.0,
        frequency_variance: state.frequency_variance + walk * dt,
        covariance: state.covariance + turn * state.frequency_variance + walk * TAU * dt * dt / 2.0,
    }
}

/// Updates with one scalar observation; returns its log-likelihood.
fn update(state: &mut State, value: f64, variance: f64, of_phase: bool) -> f64 {
    if !variance.is_finite() {
        return 0.0;
    }
    let (own, cross, current) = if of_phase {
        (state.phase_variance, state.covariance, state.phase)
    } else {
        (
            state.frequency_variance,
            state.covariance,
            state.frequency_hz,
        )
    };
    let total = own + variance;
    let surprise = value - current;
    let (gain_own, gain_other) = (own / total, cross / total);
    if of_phase {
        state.phase += gain_own * surprise;
        state.frequency_hz += gain_other * surprise;
        state.frequency_variance -= gain_other * cross;
        state.covariance -= gain_other * own;
        state.phase_variance -= gain_own * own;
    } else {
        state.frequency_hz += gain_own * surprise;
        state.phase += gain_other * surprise;
        state.phase_variance -= gain_other * cross;
        state.covariance -= gain_other * own;
        state.frequency_variance -= gain_own * own;
    }
    -0.5 * (surprise * surprise / total + total.ln())
}

/// Log-likelihood, predicted and filtered states.
fn filter(observations: &[Observation], walk: f64) -> (f64, Vec<State>, Vec<State>) {
    let mut likelihood = 0.0;
    let mut predicted = Vec::with_capacity(observations.len());
    let mut filtered = Vec::with_capacity(observations.len());
    let mut state = State {
        phase_variance: 1e3,
        frequency_variance: 1e4,
        ..State::default()
    };
    let mut time = observations.first().map_or(0.0, |o| o.time_s);
    for observation in observations {
        state = predict(&state, observation.time_s - time, walk);
        time = observation.time_s;
        predicted.push(state);
        likelihood += update(
            &mut state,
            observation.phase,
            observation.phase_variance,
            true,
        );
        likelihood += update(
            &mut state,
            observation.frequency_hz,
            observation.frequency_variance,
            false,
        );
        filtered.push(state);
    }
    (likelihood, predicted, filtered)
}

fn smooth(observations: &[Observation], walk: f64) -> Vec<State> {
    let (_, predicted, mut states) = filter(observations, walk);
    for i in (0..states.len().saturating_sub(1)).rev() {
        let dt = observations[i + 1].time_s - observations[i].time_s;
        let (now, ahead, next) = (states[i], predicted[i + 1], states[i + 1]);
        // Gain P·Fᵀ·P₋⁻¹ with F = [[1, 2πdt], [0, 1]].
        let turn = TAU * dt;
        let (a, b) = (now.phase_variance + turn * now.covariance, now.covariance);
        let (c, d) = (
            now.covariance + turn * now.frequency_variance,
            now.frequency_variance,
        );
        let (p, q, r) = (
            ahead.phase_variance,
            ahead.covariance,
            ahead.frequency_variance,
        );
        let determinant = p * r - q * q;
        if !(determinant > 0.0) {
            continue;
        }
        let (g11, g12) = ((a * r - b * q) / determinant, (b * p - a * q) / determinant);
        let (g21, g22) = ((c * r - d * q) / determinant, (d * p - c * q) / determinant);
        let (dp, df) = (
            next.phase - ahead.phase,
            next.frequency_hz - ahead.frequency_hz,
        );
        let (ep, ec, ef) = (
            next.phase_variance - ahead.phase_variance,
            next.covariance - ahead.covariance,
            next.frequency_variance - ahead.frequency_variance,
        );
        states[i] = State {
            phase: now.phase + g11 * dp + g12 * df,
            frequency_hz: now.frequency_hz + g21 * dp + g22 * df,
            phase_variance: now.phase_variance
                + g11 * (g11 * ep + g12 * ec)
                + g12 * (g11 * ec + g12 * ef),
            frequency_variance: now.frequency_variance
                + g21 * (g21 * ep + g22 * ec)
                + g22 * (g21 * ec + g22 * ef),
            covariance: now.covariance + g21 * (g11 * ep + g12 * ec) + g22 * (g11 * ec + g12 * ef),
        };
    }
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

    #[test]
    fn a_steady_frequency_is_a_straight_line() {
        let track = SmoothTrack::new(&observations(20, |_| 0.01, |t| TAU * 0.01 * t));
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
        let bend = |t: f64| if t < 10.0 { 0.0 } else { 0.02 * (t - 10.0) };
        let phase = |t: f64| {
            if t < 10.0 {
                0.0
            } else {
                TAU * 0.01 * (t - 10.0).powi(2)
            }
        };
        let track = SmoothTrack::new(&observations(20, bend, phase));
        assert!(track.walk > 0.0);
        assert_relative_eq!(
            track.states[19].frequency_hz,
            bend(19.5),
            max_relative = 0.02
        );
    }
}

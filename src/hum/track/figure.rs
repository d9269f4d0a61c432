//! Figures of tracks.

use crate::stats::LinePower;
use rustfft::num_complex::Complex64;

/// What is known of one order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OrderFigures {
    pub(crate) order: usize,
    /// Mean square over the record beside its noise.
    pub(crate) power: LinePower,
    /// Re(c·exp(j·k·(θ(t) − θ(0)))) at the first sample: peak amplitude and phase of a cosine there.
    pub(crate) amplitude: Complex64,
    /// Variance of that phase, rad².
    pub(crate) phase_variance: f64,
}

/// How sure it is that a track moves, and by how much it does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Movement {
    /// Log of the odds that it moves, evidence and prior together.
    pub(crate) log_odds: f64,
    /// RMS about the mean: Hz for the frequency, a share of 1 for the gain.
    pub(crate) rms: f64,
}

impl Movement {
    /// Whether it is proved at odds of a hundred to one.
    pub(crate) fn is_proved(&self) -> bool {
        self.log_odds > 4.6
    }
}

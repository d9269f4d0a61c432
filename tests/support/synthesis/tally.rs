//! How often intervals held the truth, and how far the estimates lay from it.

use humsieve::Estimate;

/// What was counted of one figure over many trials.
#[derive(Debug, Default, Clone, Copy)]
pub struct Tally {
    pub trials: f64,
    held: f64,
    error: f64,
    square: f64,
    claimed: f64,
    half_width: f64,
}

impl Tally {
    /// Counts one trial; a figure that was not given does not count.
    pub fn add(&mut self, estimate: Option<Estimate>, truth: f64) {
        let Some(e) = estimate else { return };
        self.trials += 1.0;
        self.held += f64::from(u8::from(e.contains(truth)));
        self.error += e.value - truth;
        self.square += (e.value - truth).powi(2);
        self.claimed += e.standard_uncertainty.powi(2);
        self.half_width += (0.5 * (e.high - e.low)).powi(2);
    }

    /// The sum of two counts.
    #[must_use]
    pub fn join(mut self, other: &Self) -> Self {
        self.trials += other.trials;
        self.held += other.held;
        self.error += other.error;
        self.square += other.square;
        self.claimed += other.claimed;
        self.half_width += other.half_width;
        self
    }

    /// Share of the intervals that held the truth.
    pub fn coverage(&self) -> f64 {
        self.held / self.trials
    }

    /// Root mean square error.
    pub fn rmse(&self) -> f64 {
        (self.square / self.trials).sqrt()
    }

    /// Root mean square of the standard uncertainties that were claimed.
    pub fn claim(&self) -> f64 {
        (self.claimed / self.trials).sqrt()
    }

    /// Bias over the root mean square error.
    pub fn bias_over_scatter(&self) -> f64 {
        self.error / self.trials / self.rmse()
    }

    /// Bias over the claimed standard uncertainty.
    pub fn bias_over_claim(&self) -> f64 {
        self.error / self.trials / self.claim()
    }

    /// Root mean square error over the claimed standard uncertainty.
    pub fn scatter_over_claim(&self) -> f64 {
        self.rmse() / self.claim()
    }

    /// Root mean square half-width of the 95 % intervals over 1.96 root mean square errors: 1 where intervals are as
    /// wide as the scatter asks, large where they hold the truth by saying nothing.
    pub fn width_over_scatter(&self) -> f64 {
        (self.half_width / self.trials).sqrt() / (1.959_964 * self.rmse())
    }
}

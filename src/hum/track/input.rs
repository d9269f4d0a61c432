//! What tracks are fitted to.

/// A record and what is known of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TrackInput<'a> {
    /// Finite, evenly spaced.
    pub(crate) samples: &'a [f64],
    /// Trust in each sample, 0 to 1; all 1 where absent.
    pub(crate) weights: Option<&'a [f64]>,
    pub(crate) rate_hz: f64,
    /// Fundamental to start from, within a few tenths of a hertz or a bin of the record.
    pub(crate) fundamental_hz: f64,
    /// Highest order of the series.
    pub(crate) orders: usize,
    /// Lines that are no order: sines of constant amplitude.
    pub(crate) tones_hz: &'a [f64],
    pub(crate) wander: WanderPrior,
}

/// What is known of the mains' frequency before the record is seen: it walks at random, by how much is known to a
/// decade or so.
#[derive(Debug, Clone, Copy)]
pub(crate) struct WanderPrior {
    /// Most likely wander, Hz/√s.
    pub(crate) typical: f64,
    /// Standard deviation of its decimal logarithm.
    pub(crate) decades: f64,
    /// Chance that the frequency is steady.
    pub(crate) steady: f64,
}

impl Default for WanderPrior {
    fn default() -> Self {
        Self {
            typical: 0.008,
            decades: 0.6,
            steady: 0.15,
        }
    }
}

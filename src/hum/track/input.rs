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
}

//! A channel's samples as they are analysed.

use super::gaps::{Gap, GapKind};
use crate::numeric::{bridge, finite};

/// Evenly spaced, finite samples with their mean taken off, and where they were filled.
#[derive(Debug, Clone)]
pub(crate) struct Stream {
    pub(crate) samples: Vec<f64>,
    pub(crate) rate_hz: f64,
    /// Places that were missing or clipped and hold interpolated values.
    pub(crate) gaps: Vec<Gap>,
    /// Highest frequency that the stream carries without aliases, Hz.
    pub(crate) clean_to_hz: f64,
    /// The converter's step, of samples at the record's own rate.
    pub(crate) step: Option<f64>,
    /// Frequency up to which slow content was taken off, Hz; 0 where none was.
    pub(crate) slow_to_hz: f64,
    /// Share of the samples that hold what was measured.
    pub(crate) present: f64,
}

/// What marked samples are known to lie beyond, below and above, from a stretch of them.
pub(crate) type Limits<'a> = &'a dyn Fn(&[f64]) -> (f64, f64);

impl Stream {
    /// The samples with their gaps bridged and `mean`, else their own, taken off; that mean.
    pub(crate) fn new(
        mut samples: Vec<f64>,
        rate_hz: f64,
        clean_to_hz: f64,
        limits: Limits<'_>,
        mean: Option<f64>,
    ) -> (Self, f64) {
        let (below, above) = limits(&samples);
        let mean = mean.unwrap_or_else(|| {
            let finite = samples.iter().filter(|x| x.is_finite());
            finite.clone().sum::<f64>() / finite.count().max(1) as f64
        });
        let gaps_at = if finite(&samples) {
            0..0
        } else {
            0..samples.len()
        };
        // Where the rate was lowered, what was clipped is spread over several samples: these count as missing.
        let gaps: Vec<Gap> = gaps_at
            .filter(|&i| !samples[i].is_finite())
            .map(|at| Gap {
                at,
                kind: if samples[at] == f64::INFINITY && above.is_finite() {
                    GapKind::Above(above - mean)
                } else if samples[at] == f64::NEG_INFINITY && below.is_finite() {
                    GapKind::Below(below - mean)
                } else {
                    GapKind::Missing
                },
            })
            .collect();
        if !gaps.is_empty() {
            bridge(&mut samples);
        }
        for x in &mut samples {
            *x -= mean;
        }
        let stream = Self {
            samples,
            rate_hz,
            gaps,
            clean_to_hz,
            step: None,
            slow_to_hz: 0.0,
            present: 1.0,
        };
        (stream, mean)
    }
}

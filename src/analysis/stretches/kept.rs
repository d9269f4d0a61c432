//! What stays of a long record's segments: their fits, without a vector for each.

use crate::analysis::series::SegmentFit;
use crate::analysis::series::{FrequencyStep, SeriesFit};
use rustfft::num_complex::Complex64;

/// Fits of equally many orders, in the order of their segments.
#[derive(Debug)]
pub(crate) struct KeptFits {
    orders: usize,
    fits: Vec<Kept>,
    /// All harmonics, one segment after the other.
    harmonics: Vec<Complex64>,
}

#[derive(Debug)]
struct Kept {
    centre: f64,
    fundamental: f64,
    length: usize,
    offset: f64,
    drift: f64,
    step: f64,
    variance: f64,
    offset_slope: f64,
    noise_beside: Option<(usize, f64)>,
}

impl KeptFits {
    pub(crate) fn new(orders: usize) -> Self {
        Self {
            orders,
            fits: Vec::new(),
            harmonics: Vec::new(),
        }
    }

    /// Adds the segments of a stretch that begins at sample `from`.
    pub(crate) fn add(&mut self, segments: &[SegmentFit], from: usize) {
        for segment in segments {
            let of = &segment.fit.harmonics;
            self.harmonics
                .extend((0..self.orders).map(|k| of.get(k).copied().unwrap_or_default()));
            self.fits.push(Kept {
                centre: segment.centre + from as f64,
                fundamental: segment.fit.fundamental,
                length: segment.fit.length,
                offset: segment.fit.offset,
                drift: segment.fit.drift,
                step: segment.step.step,
                variance: segment.step.variance,
                offset_slope: segment.step.offset_slope,
                noise_beside: segment.noise_beside,
            });
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.fits.len()
    }

    /// Samples of a segment.
    pub(crate) fn length(&self) -> usize {
        self.fits.first().map_or(1, |f| f.length)
    }

    /// Mean fundamental of the latest segments, cycles per sample.
    pub(crate) fn latest_fundamental(&self, count: usize) -> Option<f64> {
        let latest = &self.fits[self.fits.len().saturating_sub(count)..];
        let sum: f64 = latest.iter().map(|f| f.fundamental).sum();
        (!latest.is_empty()).then(|| sum / latest.len() as f64)
    }

    /// Mean power of the first order's amplitude, |c|².
    pub(crate) fn power(&self) -> f64 {
        let firsts = self.harmonics.iter().step_by(self.orders.max(1));
        firsts.map(Complex64::norm_sqr).sum::<f64>() / self.fits.len().max(1) as f64
    }

    /// The fits again.
    pub(crate) fn segments(self) -> Vec<SegmentFit> {
        let orders = self.orders;
        self.fits
            .into_iter()
            .enumerate()
            .map(|(i, kept)| SegmentFit {
                centre: kept.centre,
                fit: SeriesFit {
                    fundamental: kept.fundamental,
                    length: kept.length,
                    offset: kept.offset,
                    drift: kept.drift,
                    harmonics: self.harmonics[i * orders..(i + 1) * orders].to_vec(),
                },
                step: FrequencyStep {
                    step: kept.step,
                    variance: kept.variance,
                    offset_slope: kept.offset_slope,
                    harmonic_slopes: Vec::new(),
                },
                design: None,
                noise_beside: kept.noise_beside,
            })
            .collect()
    }
}

//! The fit of one stretch, as it is joined to the others.

use super::follow::Followed;
use crate::analysis::details::Details;
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::Stream;
use crate::analysis::series::{FitSettings, SegmentFit, mean_fundamental};
use crate::analysis::stream::{OtherContent, StreamFit};
use crate::spectrum::{Density, Weighting};

/// The fits of one stretch.
pub(super) struct StretchFit {
    pub(super) weighting: Weighting,
    pub(super) highest_guide: usize,
    pub(super) segments: Vec<SegmentFit>,
    pub(super) tones: Vec<Vec<SegmentFit>>,
    pub(super) density: Density,
    /// Density of the samples as they are, where it is asked for.
    pub(super) total: Option<Density>,
    pub(super) samples: usize,
    pub(super) residual_mean: f64,
    /// Sum of the residual's squares.
    pub(super) residual_squares: f64,
    pub(super) residual: Vec<f64>,
    pub(super) present: f64,
    pub(super) offset_dearer: f64,
    pub(super) details: Details,
    pub(super) other: OtherContent,
    pub(super) slow_to_hz: f64,
}

impl From<StreamFit> for StretchFit {
    fn from(fit: StreamFit) -> Self {
        let record = fit.record;
        Self {
            weighting: record.settings.weighting,
            highest_guide: record.settings.highest_guide(),
            segments: record.segments,
            tones: record.tones.into_iter().map(|t| t.segments).collect(),
            density: fit.density,
            total: Some(record.total),
            samples: record.samples,
            residual_mean: record.residual_mean,
            residual_squares: sums(&fit.residual).1,
            residual: fit.residual,
            present: record.present,
            offset_dearer: record.offset_dearer,
            details: record.details,
            other: record.other,
            slow_to_hz: record.slow_to_hz,
        }
    }
}

impl StretchFit {
    pub(super) fn of_followed(
        followed: Followed,
        total: Option<Density>,
        settings: &FitSettings,
        stream: &Stream,
        options: &MeasureOptions,
    ) -> Self {
        let samples = stream.samples.len();
        let (sum, residual_squares) = sums(&followed.residual);
        let fundamental_hz =
            mean_fundamental(&followed.segments).unwrap_or_default() * stream.rate_hz;
        Self {
            weighting: settings.weighting,
            highest_guide: settings.highest_guide(),
            details: Details::new(stream, options, &followed.segments, fundamental_hz),
            segments: followed.segments,
            tones: followed.tones,
            density: followed.density,
            total,
            samples,
            residual_mean: sum / samples.max(1) as f64,
            residual_squares,
            residual: followed.residual,
            present: 1.0,
            offset_dearer: 1.0,
            other: OtherContent::default(),
            slow_to_hz: 0.0,
        }
    }
}

/// Sums of a residual and of its squares, in one pass.
fn sums(residual: &[f64]) -> (f64, f64) {
    residual
        .iter()
        .fold((0.0, 0.0), |(sum, squares), r| (sum + r, squares + r * r))
}

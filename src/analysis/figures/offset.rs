//! The offset of the record.

use super::below_one_cycle;
use super::facts::ChannelFacts;
use super::rounding::unrounded;
use crate::analysis::noise::MeanWindow;
use crate::analysis::record::Stream;
use crate::analysis::record::rounding_bias;
use crate::analysis::stream::{HumCourse, RecordFit};
use crate::analysis::stretches::FittedRecord;
use crate::spectrum::Weighting;
use crate::stats::Estimate;

/// A value, its variance and the degrees of freedom of that.
type Told = (f64, f64, f64);

/// The offset with its interval.
pub(super) fn offset(facts: &ChannelFacts<'_>, record: &FittedRecord) -> Estimate {
    let FittedRecord { stream, fit, .. } = record;
    if let Some(bounded) = &fit.interval {
        let (value, variance) = bounded.offset;
        return Estimate::student(
            record.mean + value,
            variance.sqrt(),
            bounded.degrees_of_freedom,
            facts.options.confidence,
        );
    }
    let duration = fit.samples as f64 / stream.rate_hz;
    let (value, variance, dof) = if fit.other.is_some() || fit.course != HumCourse::Throughout {
        // What is slow is a signal: the offset is the record's mean, uncertain by the noise above it.
        let (level, dof) = fit.floor.lowest();
        (fit.residual_mean, level / (2.0 * duration), dof)
    } else {
        beside_series(fit, stream.rate_hz)
    };
    let variance = fit.offset_dearer * variance / fit.present;
    // Nothing known of it: the mean of a record lies within what the record spans.
    let most = (facts.waveform.max - facts.waveform.min).powi(2);
    let variance = if variance.is_finite() { variance } else { most };
    let short = (duration * fit.nominal_hz < 1.0)
        .then(|| below_a_cycle(stream, fit, facts.options.mains.nominals_hz()))
        .flatten();
    let (value, variance, dof) = short.unwrap_or((value, variance, dof));
    let mut estimate = Estimate::student(
        record.mean + value,
        variance.max(0.0).sqrt(),
        dof,
        facts.options.confidence,
    );
    if let Some(step) = facts.step {
        let peaks = fit.combined.harmonics.iter().map(|h| h.amplitude.norm());
        let bias = rounding_bias(step, unrounded(step, fit.residual_rms), peaks);
        estimate.low -= bias;
        estimate.high += bias;
        estimate.standard_uncertainty = estimate.standard_uncertainty.hypot(bias / 3f64.sqrt());
    }
    estimate
}

/// The constant term of the series' fit.
fn beside_series(fit: &RecordFit, rate_hz: f64) -> Told {
    let duration = fit.samples as f64 / rate_hz;
    let window = match fit.settings.weighting {
        Weighting::Hann if fit.segments.len() == 1 => MeanWindow::Hann,
        _ => MeanWindow::Even,
    };
    let (level, dof) = fit.slow.of_mean(window);
    let of_mean = level / (2.0 * duration);
    match fit.segments.as_slice() {
        [] => (fit.residual_mean, of_mean, dof),
        [segment] => {
            let mut noise = fit.settings.noise.clone();
            noise[0] = level * 0.5 * rate_hz;
            let own = segment
                .design
                .as_ref()
                .map_or(of_mean, |d| d.offset_variance(&noise));
            let moved = segment.step.offset_slope.powi(2) * segment.step.variance;
            let moved = if moved.is_finite() { moved } else { 0.0 };
            (segment.fit.offset, own + moved, dof)
        }
        segments => {
            let total: f64 = segments.iter().map(|s| s.fit.length as f64).sum();
            let weighted: f64 = segments
                .iter()
                .map(|s| s.fit.offset * s.fit.length as f64)
                .sum();
            // Hann weights sample strong drift unevenly: the mean of what the lines leave is better.
            let value = if fit.settings.weighting == Weighting::Hann {
                fit.residual_mean
            } else {
                weighted / total
            };
            (value, of_mean, dof)
        }
    }
}

/// Cycles over the record between which its noise is read where the record is shorter than one of the mains.
const NOISE_CYCLES: (f64, f64) = (12.0, 60.0);

/// Offset of less than a cycle: the hum's higher orders held by what hum is like, the noise read above them.
fn below_a_cycle(stream: &Stream, fit: &RecordFit, nominals_hz: &[f64]) -> Option<Told> {
    let duration = stream.samples.len() as f64 / stream.rate_hz;
    let (level, _) = fit
        .floor
        .mean_between(NOISE_CYCLES.0 / duration, NOISE_CYCLES.1 / duration)
        .unwrap_or_else(|| fit.floor.lowest());
    let (value, variance) = below_one_cycle::offset(
        &stream.samples,
        stream.rate_hz,
        nominals_hz,
        0.5 * level * stream.rate_hz / fit.present,
    )?;
    Some((value, variance, f64::INFINITY))
}

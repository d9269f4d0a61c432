//! From the fits to the reported figures.

use super::cause::evidence;
use super::facts::ChannelFacts;
use super::floors::Floors;
use super::mains::mains;
use super::noise::noise;
use super::offset::offset;
use super::quality::{quality_warnings, record_warnings};
use super::rounding::{
    alike, bound_by_step, cover_alike, cover_threshold, return_to_noise, rounded_line, unrounded,
    widen,
};
use super::tones::tones;
use crate::analysis::measurement::{Measurement, Track, TrackPoint};
use crate::analysis::stretches::FittedRecord;

/// Builds the measurement.
pub(crate) fn assemble(facts: &ChannelFacts<'_>, record: &FittedRecord) -> Measurement {
    let FittedRecord { stream, fit, .. } = record;
    let mut warnings = facts.source_warnings.to_vec();
    let floors = Floors::new(facts, stream, fit);
    let mains = mains(facts, fit, &mut warnings);
    let mut tones = tones(facts, record, &floors, &mains);
    let mut noise = noise(facts, &floors, fit, &mut warnings);
    // The residual holds rounding's own lines: the noise may be less than it shows.
    let noise_rms = facts
        .step
        .map_or(0.0, |step| unrounded(step, fit.residual_rms));
    let alike = alike(record);
    let steps = alike.iter().map(|a| a.noise);
    let least_rms = facts.step.unwrap_or(0.0) * steps.fold(f64::INFINITY, f64::min);
    let [rounding, largest] = [noise_rms, noise_rms.min(least_rms)]
        .map(|rms| rounded_line(facts.step, fit, rms) / 2f64.sqrt());
    if largest > 0.0 {
        return_to_noise(&mut noise, &mut tones, largest);
    }
    let dc_offset = offset(facts, record);
    quality_warnings(facts, &noise, &mut warnings);
    record_warnings(facts, fit, &mains, &mut warnings);
    let mut measurement = facts.measurement(dc_offset, mains, noise, warnings);
    measurement.tones = tones;
    measurement.spectrum = facts.options.detail.spectrum.then(|| floors.spectrum());
    measurement.track = track(facts, record);
    bound_by_step(&mut measurement);
    if fit.interval.is_none() {
        let mains = &mut measurement.mains;
        let figures = mains.hum_rms.iter_mut();
        for figure in figures.chain(mains.harmonics.iter_mut().map(|h| &mut h.rms)) {
            widen(figure, rounding);
        }
    }
    cover_alike(facts, record, &alike, &mut measurement);
    cover_threshold(&mut measurement);
    if measurement.mains.detected {
        measurement.folded = fit.details.folded();
        measurement.harmonic_groups = fit
            .details
            .groups(|order| facts.coupled_gain(order as f64 * fit.combined.frequency_hz));
    }
    measurement.evidence = evidence(&measurement);
    measurement
}

fn track(facts: &ChannelFacts<'_>, record: &FittedRecord) -> Option<Track> {
    let FittedRecord { stream, fit, .. } = record;
    (fit.segments.len() > 1).then(|| {
        Track::new(
            fit.segments
                .iter()
                .zip(&fit.combined.segment_frequencies_hz)
                .map(|(segment, &frequency_hz)| TrackPoint {
                    time_s: segment.centre / stream.rate_hz + facts.first_at_s,
                    frequency_hz,
                    hum_rms: segment.fit.power().sqrt(),
                    dc_offset: record.mean + segment.fit.offset,
                })
                .collect(),
        )
    })
}

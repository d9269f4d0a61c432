//! What the converter's rounding can have made.

use super::facts::ChannelFacts;
use crate::WarningCode;
use crate::analysis::interval::{Alike, Rounded};
use crate::analysis::measurement::{Measurement, Noise, Tone};
use crate::analysis::record::rounding_line;
use crate::analysis::stream::{RecordFit, is_coarse};
use crate::analysis::stretches::FittedRecord;
use crate::stats::{Estimate, median, span};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// The noise's deviation, the rounding's own taken off a residual.
pub(super) fn unrounded(step: f64, residual_rms: f64) -> f64 {
    (residual_rms * residual_rms - step * step / 12.0)
        .max(0.0)
        .sqrt()
}

/// Largest peak of a line that rounding can have made of the hum, in noise of this deviation; 0 where rounding is noise.
pub(super) fn rounded_line(step: Option<f64>, fit: &RecordFit, deviation: f64) -> f64 {
    let Some(step) = step.filter(|_| is_coarse(step, fit.residual_rms)) else {
        return 0.0;
    };
    let tones = fit
        .tones
        .iter()
        .filter_map(|t| t.combined.harmonics.first());
    let lines = fit.combined.harmonics.iter().chain(tones);
    let strongest = lines.map(|h| h.amplitude.norm()).fold(0.0, f64::max);
    rounding_line(step, deviation, strongest)
}

/// Tones that rounding can have made, up to an RMS of `rounding`, are rounding noise.
pub(super) fn return_to_noise(noise: &mut Noise, tones: &mut Vec<Tone>, rounding: f64) {
    let band = noise.band_hz;
    let within = |t: &Tone| t.frequency_hz.value >= band.0 && t.frequency_hz.value <= band.1;
    let power: f64 = tones
        .iter()
        .filter(|t| t.rms.value <= rounding && within(t))
        .map(|t| t.rms.value.powi(2))
        .sum();
    tones.retain(|t| t.rms.value > rounding);
    let per_root = 1.0 / (band.1 - band.0).max(f64::MIN_POSITIVE).sqrt();
    for (figure, scale) in [
        (&mut noise.rms, 1.0),
        (&mut noise.density_v_per_rthz, per_root),
    ] {
        let own = power.sqrt() * scale;
        figure.value = figure.value.hypot(own);
        figure.low = figure.low.hypot(own);
        figure.high = figure.high.hypot(own);
    }
}

/// Widens what was fitted by least squares by the lines that rounding can have made.
pub(super) fn widen(estimate: &mut Estimate, by: f64) {
    estimate.low = (estimate.low - by).max(0.0);
    estimate.high += by;
    estimate.standard_uncertainty = estimate.standard_uncertainty.hypot(by / 3f64.sqrt());
}

/// Noise under half a step is bounded, not read: from nothing to what was seen and a step's own rounding noise. Of what is
/// little more, the interval reaches down to the input's own.
pub(super) fn bound_by_step(measurement: &mut Measurement) {
    let warnings = &measurement.quality.warnings;
    let coarse = warnings
        .iter()
        .any(|w| w.code == WarningCode::CoarseQuantization);
    let Some(step) = measurement.quality.lsb else {
        return;
    };
    let rounding = step / 12f64.sqrt();
    let width = (measurement.noise.band_hz.1 - measurement.noise.band_hz.0).max(f64::MIN_POSITIVE);
    let noise = &mut measurement.noise;
    if !coarse {
        let seen = noise.density_v_per_rthz.value;
        let wideband = seen * (0.5 * measurement.sample_rate_hz).sqrt();
        if is_coarse(Some(step), wideband) {
            let own = unrounded(step, wideband) / wideband;
            noise.rms.low *= own;
            noise.density_v_per_rthz.low *= own;
        }
        return;
    }
    noise.rms.low = 0.0;
    noise.rms.high = noise.rms.high.hypot(rounding);
    noise.density_v_per_rthz.low = 0.0;
    noise.density_v_per_rthz.high = noise.rms.high / width.sqrt();
}

/// How far the distance of a record's two levels may be from a step, as a share of it.
const ONE_STEP: f64 = 1e-3;

/// Two levels say how often the input was on either side of the threshold between them: an offset next to it with less noise says
/// the same as one farther off with more. The offset's interval reaches to the threshold.
pub(super) fn cover_threshold(measurement: &mut Measurement) {
    let waveform = &measurement.waveform;
    let Some(step) = measurement.quality.lsb else {
        return;
    };
    if ((waveform.max - waveform.min) / step - 1.0).abs() > ONE_STEP {
        return;
    }
    let threshold = 0.5 * (waveform.min + waveform.max);
    let offset = &mut measurement.dc_offset;
    offset.low = offset.low.min(threshold);
    offset.high = offset.high.max(threshold);
    let half = 0.5 * (offset.high - offset.low);
    offset.standard_uncertainty = offset.standard_uncertainty.max(half / 3f64.sqrt());
}

/// Series that the converter's steps make look like the fitted one; none where rounding is noise.
pub(super) fn alike(record: &FittedRecord) -> Vec<Alike> {
    let FittedRecord { stream, fit, .. } = record;
    let coarse = stream
        .step
        .filter(|_| is_coarse(stream.step, fit.residual_rms));
    let (Some(step), false) = (coarse, fit.segments.is_empty()) else {
        return Vec::new();
    };
    let (mut offset, mut fundamental) = (
        fit.residual_mean,
        fit.combined.frequency_hz / stream.rate_hz,
    );
    let mut harmonics: Vec<Complex64> =
        fit.combined.harmonics.iter().map(|h| h.amplitude).collect();
    if let (Some(_), [segment]) = (&fit.interval, fit.segments.as_slice()) {
        // What least squares gave, about the middle.
        let middle = 0.5 * (stream.samples.len() as f64 - 1.0);
        (offset, fundamental) = (segment.fit.offset, segment.fit.fundamental);
        let turn =
            |k: usize| Complex64::cis(-TAU * ((k + 1) as f64 * fundamental * middle).fract());
        let own = segment.fit.harmonics.iter().enumerate();
        harmonics = own.map(|(k, c)| c * turn(k)).collect();
    }
    let held = || {
        let gap = |i: usize| stream.gaps.iter().any(|g| g.at == i);
        (0..stream.samples.len()).find(|i| !gap(*i))
    };
    Rounded {
        step,
        level: (stream.slow_to_hz == 0.0)
            .then(held)
            .flatten()
            .map(|i| stream.samples[i]),
        samples: stream.samples.len(),
        fundamental,
        offset,
        harmonics: &harmonics,
        residual_rms: fit.residual_rms,
    }
    .alike()
}

/// Every figure reaches over the series that look alike; a phase that may be any is none.
pub(super) fn cover_alike(
    facts: &ChannelFacts<'_>,
    record: &FittedRecord,
    alike: &[Alike],
    measurement: &mut Measurement,
) {
    let Some(first) = alike.first() else {
        return;
    };
    let rate_hz = record.stream.rate_hz;
    let reach = |estimate: &mut Estimate, figure: &dyn Fn(&Alike) -> f64| {
        let mut values: Vec<f64> = alike.iter().map(figure).collect();
        values.retain(|v| v.is_finite());
        let own = estimate.high - estimate.low;
        for value in &values {
            estimate.low = estimate.low.min(*value);
            estimate.high = estimate.high.max(*value);
        }
        if !values.is_empty() && span(&values) < own {
            estimate.value = median(&mut values);
        }
        let half = 0.5 * (estimate.high - estimate.low);
        estimate.standard_uncertainty = estimate.standard_uncertainty.max(half / 3f64.sqrt());
    };
    reach(&mut measurement.dc_offset, &|a| record.mean + a.offset);
    let mains = &mut measurement.mains;
    if let Some(frequency) = &mut mains.frequency_hz {
        reach(frequency, &|a| a.fundamental * rate_hz);
    }
    let gain = |k: usize| facts.coupled_gain((k + 1) as f64 * record.fit.combined.frequency_hz);
    let rms = |a: &Alike, k: usize| a.harmonics[k].norm() / (2f64.sqrt() * gain(k));
    if let Some(hum) = &mut mains.hum_rms {
        reach(hum, &|a| {
            (0..a.harmonics.len())
                .map(|k| rms(a, k).powi(2))
                .sum::<f64>()
                .sqrt()
        });
    }
    let orders = mains.harmonics.iter_mut().zip(0..first.harmonics.len());
    for (harmonic, k) in orders {
        reach(&mut harmonic.rms, &|a| rms(a, k));
        let own = record.fit.combined.harmonics.get(k).map(|h| h.amplitude);
        let turned = |a: &Alike| own.map_or(PI, |own| (a.harmonics[k] * own.conj()).arg());
        let Some(phase) = &mut harmonic.phase_deg else {
            continue;
        };
        let value = phase.value;
        reach(phase, &|a| value + turned(a).to_degrees());
        if phase.high - phase.low > 270.0 {
            harmonic.phase_deg = None;
        }
    }
}

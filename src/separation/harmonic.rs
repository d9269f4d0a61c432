//! The harmonic method: one channel, a series of one tracked fundamental.

use super::fit::{Fit, FitSettings, fit};
use super::reduced::fit_reduced;
use super::result::{Findings, HumTrack, TouchedBand};
use super::search::search;
use super::short::fit_short;
use crate::WarningCode;
use std::f64::consts::PI;

/// Records of fewer cycles are fitted as a whole.
const SHORT_CYCLES: f64 = 13.0;
/// Points of a track at most.
const TRACK_POINTS: usize = 400;

/// Settings of [`harmonic`].
#[derive(Debug, Clone, PartialEq)]
pub struct HarmonicOptions {
    /// Nominal mains frequencies that come into question, Hz.
    pub nominal_hz: Vec<f64>,
    /// Highest harmonic order; `None`: as many as lie below Nyquist.
    pub harmonics: Option<usize>,
    /// Frequencies that are never removed, Hz.
    pub protect_hz: Vec<f64>,
}

impl Default for HarmonicOptions {
    fn default() -> Self {
        Self {
            nominal_hz: vec![50.0, 60.0],
            harmonics: None,
            protect_hz: Vec::new(),
        }
    }
}

/// A channel taken apart: `offset + interference[i] + cleaned[i]` is the input.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Parts {
    /// The constant.
    pub offset: f64,
    /// The interference.
    pub interference: Vec<f64>,
    /// What is left; missing and overloaded samples stay what they are.
    pub cleaned: Vec<f64>,
}

impl Parts {
    pub(super) fn new(samples: &[f64], centred: &Centred, interference: Vec<f64>) -> Self {
        let (mut sum, mut count) = (0.0, 0usize);
        for ((x, h), s) in centred.values.iter().zip(&interference).zip(samples) {
            if s.is_finite() {
                sum += x - h;
                count += 1;
            }
        }
        let offset = centred.mean + sum / count.max(1) as f64;
        let cleaned = samples
            .iter()
            .zip(&interference)
            .map(|(x, m)| x - m - offset)
            .collect();
        Self {
            offset,
            interference,
            cleaned,
        }
    }
}

/// Samples about their mean, with missing ones at 0 and marked.
pub(super) struct Centred {
    pub(super) values: Vec<f64>,
    pub(super) mean: f64,
    pub(super) missing: Option<Vec<f32>>,
}

impl Centred {
    pub(super) fn new(samples: &[f64]) -> Self {
        let (mut sum, mut count) = (0.0, 0usize);
        for v in samples.iter().filter(|v| v.is_finite()) {
            sum += v;
            count += 1;
        }
        let mean = sum / count.max(1) as f64;
        Self {
            values: samples
                .iter()
                .map(|v| if v.is_finite() { v - mean } else { 0.0 })
                .collect(),
            mean,
            missing: (count < samples.len()).then(|| {
                samples
                    .iter()
                    .map(|v| if v.is_finite() { 1.0 } else { 0.0 })
                    .collect()
            }),
        }
    }
}

/// Separates the mains series from one channel.
///
/// The fundamental is searched within 1 % of the nominal frequencies and tracked by all harmonics
/// together; each harmonic that stands above the noise beside it has an amplitude whose memory the
/// data choose, up to the whole record. A record without a mains series comes back unchanged.
///
/// ```
/// use humsieve::separation::{HarmonicOptions, harmonic};
/// let hum: Vec<f64> = (0..2000_u32)
///     .map(|i| {
///         let noise = f64::from((i * i * 31 + i * 7919) % 1009) / 1009.0 - 0.5;
///         0.1 + (2.0 * std::f64::consts::PI * 50.02 * f64::from(i) / 1000.0).sin() + 0.01 * noise
///     })
///     .collect();
/// let parts = harmonic(&hum, 1000.0, &HarmonicOptions::default());
/// assert!((parts.offset - 0.1).abs() < 1e-3);
/// let worst = parts.cleaned.iter().fold(0.0f64, |worst, v| worst.max(v.abs()));
/// assert!(worst < 0.01, "no more than the noise is left");
/// for ((x, hum), cleaned) in hum.iter().zip(&parts.interference).zip(&parts.cleaned) {
///     assert!((parts.offset + hum + cleaned - x).abs() < 1e-9);
/// }
/// ```
#[must_use]
pub fn harmonic(samples: &[f64], sample_rate_hz: f64, options: &HarmonicOptions) -> Parts {
    let centred = Centred::new(samples);
    let (interference, _) = separate_hum(&centred, sample_rate_hz, options);
    Parts::new(samples, &centred, interference)
}

/// The hum of one stretch and what is known of it.
pub(super) fn separate_hum(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
) -> (Vec<f64>, Findings) {
    let mut fitted = fit_record(centred, rate_hz, options);
    let mut hum = vec![0.0; centred.values.len()];
    fitted.model.residual(&centred.values, &mut hum);
    let square = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    let explained = square(&hum) <= square(&centred.values);
    if !explained {
        // What adds power, or is no number, is no hum.
        fitted = Fit::default();
        hum.copy_from_slice(&centred.values);
    }
    for (h, x) in hum.iter_mut().zip(&centred.values) {
        *h = x - *h;
    }
    let findings = findings(&fitted, &hum, rate_hz);
    (hum, findings)
}

pub(super) fn fit_record(centred: &Centred, rate_hz: f64, options: &HarmonicOptions) -> Fit {
    let x = &centred.values;
    let duration = x.len() as f64 / rate_hz;
    let lowest = options
        .nominal_hz
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let scale = x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    if scale == 0.0 || !lowest.is_finite() || duration * lowest < 1.0 {
        return Fit::default();
    }
    let mut settings = FitSettings {
        rate_hz,
        highest_order: options.harmonics.unwrap_or(usize::MAX),
        protect_hz: options.protect_hz.clone(),
    };
    if duration * lowest < SHORT_CYCLES {
        return fit_short(
            x,
            centred.missing.as_deref(),
            &options.nominal_hz,
            &settings,
        );
    }
    if centred.missing.is_none()
        && let Some(fitted) = fit_reduced(x, &options.nominal_hz, &settings)
    {
        return fitted;
    }
    let Some(track) = search(x, rate_hz, &options.nominal_hz) else {
        return Fit::default();
    };
    let below_nyquist = (0.49 * rate_hz / track.nominal_hz).floor() as usize;
    settings.highest_order = settings.highest_order.min(below_nyquist);
    if settings.highest_order == 0 {
        return Fit::default();
    }
    fit(x, centred.missing.clone(), &track, &settings)
}

pub(super) fn findings(fitted: &Fit, hum: &[f64], rate_hz: f64) -> Findings {
    let model = &fitted.model;
    let mut findings = Findings {
        detected: !model.orders.is_empty(),
        ..Findings::default()
    };
    if !findings.detected {
        findings.warn(
            WarningCode::MainsNotDetected,
            "no mains series stands above the noise; nothing was taken out but the offset",
        );
        findings.notes.push(
            "harmonic method: no mains series stands above the noise, so no hum was taken out"
                .into(),
        );
        return findings;
    }
    let samples = hum.len() as f64;
    let duration = samples / rate_hz;
    findings.mains_power = hum.iter().map(|v| v * v).sum::<f64>() / samples;
    let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
    let mean_hz = cycles / duration;
    let mut information = 0.0;
    for (o, &order) in model.orders.iter().enumerate() {
        let power = mean_power(fitted, o);
        information += 2.0 / fitted.noise[o] * (2.0 * PI * order as f64).powi(2) * power * samples;
        let parameters = fitted.parameters.get(o).copied().unwrap_or(1.0);
        findings.residual_power += 0.5 * fitted.noise[o] * (parameters + 0.5) / samples;
        findings.residual_degrees += 2.0 * parameters;
        let half = 0.5 * (parameters + 1.0) / duration;
        let centre = order as f64 * mean_hz;
        findings.touched.push(TouchedBand {
            low_hz: (centre - half).max(0.0),
            high_hz: centre + half,
            removed_rms: (0.5 * power).sqrt(),
        });
    }
    // Variance of the slope of a phase known with this information, spread evenly over the record.
    let deviation = (12.0 / information.max(1e-300)).sqrt() / duration;
    findings.frequency = Some((mean_hz, deviation));
    findings.track = track(fitted, rate_hz);
    let highest = model.orders.iter().max().copied().unwrap_or(0);
    let moving = model.deviations.iter().filter(|d| !d.is_empty()).count();
    let mut note = format!(
        "harmonic method: {} orders of {mean_hz:.4} Hz, the highest the {highest}th, tracked together",
        model.orders.len()
    );
    if model.constants.len() > 1 {
        note.push_str(&format!(
            "; {} sudden changes of the load",
            model.constants.len() - 1
        ));
    }
    if model.gain.iter().any(|g| *g != 1.0) {
        note.push_str("; a common modulation was followed");
    }
    if moving > 0 {
        note.push_str(&format!("; {moving} orders vary on their own"));
    }
    findings.notes.push(note);
    findings
}

fn mean_power(fitted: &Fit, o: usize) -> f64 {
    let model = &fitted.model;
    let (mut sum, mut mass) = (0.0, 0.0);
    for i in 0..model.intervals() {
        let length = (model.edges[i + 1] - model.edges[i]) as f64;
        sum += 0.5
            * length
            * (model.amplitude(o, i, i).norm_sqr() + model.amplitude(o, i, i + 1).norm_sqr());
        mass += length;
    }
    sum / mass
}

fn track(fitted: &Fit, rate_hz: f64) -> HumTrack {
    let model = &fitted.model;
    let stride = model.intervals().div_ceil(TRACK_POINTS).max(1);
    let mut track = HumTrack {
        orders: model.orders.clone(),
        rms: vec![Vec::new(); model.orders.len()],
        phase_rad: vec![Vec::new(); model.orders.len()],
        ..HumTrack::default()
    };
    for first in (0..model.intervals()).step_by(stride) {
        let last = (first + stride).min(model.intervals());
        let (from, to) = (model.edges[first] as f64, model.edges[last] as f64);
        track.time_s.push(0.5 * (from + to) / rate_hz);
        let turned = model.phase[last] - model.phase[first];
        track.frequency_hz.push(turned * rate_hz / (to - from));
        let middle = (first + last) / 2;
        for o in 0..model.orders.len() {
            let a = model.amplitude(o, middle.min(model.intervals() - 1), middle);
            track.rms[o].push(a.norm() / std::f64::consts::SQRT_2);
            track.phase_rad[o].push(a.arg());
        }
    }
    track
}

//! The harmonic method: one channel, a series of one tracked fundamental.

use super::continuation::{Lead, go_on};
use super::fit::{Fit, FitSettings, fit};
use super::input::{check_harmonics, check_nominal, check_samples, in_units};
use super::playback::play;
use super::prospect::prospect;
use super::reduced::fit_reduced;
use super::result::{Findings, HumTrack, TouchedBand};
use super::search::search;
use super::short::fit_short;
use super::watch::{Rest, Seen, standing_out, sum};
use crate::analysis::MOST_HARMONICS;
use crate::{Error, ErrorKind, WarningCode};
use std::f64::consts::PI;

/// Records of fewer cycles are fitted as a whole.
const SHORT_CYCLES: f64 = 13.0;
/// Points of a track at most.
pub(super) const TRACK_POINTS: usize = 400;

/// Settings of [`harmonic`].
#[derive(Debug, Clone, PartialEq)]
pub struct HarmonicOptions {
    /// Nominal mains frequencies that come into question, Hz.
    pub nominal_hz: Vec<f64>,
    /// Highest harmonic order, 1 to 1000; `None`: as many of these as lie below Nyquist.
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

impl HarmonicOptions {
    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        if self.nominal_hz.is_empty() {
            return Err(Error::new(
                ErrorKind::BadOption,
                "no nominal mains frequency is given; give one or more, as 50 and 60",
            ));
        }
        for hz in &self.nominal_hz {
            check_nominal(*hz)?;
        }
        check_harmonics(self.harmonics)?;
        for hz in &self.protect_hz {
            if !(hz.is_finite() && *hz > 0.0) {
                return Err(Error::new(
                    ErrorKind::BadOption,
                    format!("a protected frequency is {hz} Hz; it must be positive and finite"),
                ));
            }
        }
        Ok(())
    }

    fn lowest(&self) -> f64 {
        self.nominal_hz
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
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
    /// Parts of `samples`, which `centred` holds in this `unit`.
    pub(super) fn new(
        samples: &[f64],
        centred: &Centred,
        mut interference: Vec<f64>,
        unit: f64,
    ) -> Self {
        let rest: Vec<f64> = centred
            .values
            .iter()
            .zip(&interference)
            .map(|(x, h)| x - h)
            .collect();
        let offset = centred.offset(&rest) * unit;
        interference.iter_mut().for_each(|h| *h *= unit);
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
    /// Takes the samples themselves where none is missing, else a copy.
    fn in_place(samples: &mut Vec<f64>) -> Self {
        let mean = sum(samples) / samples.len().max(1) as f64;
        if !mean.is_finite() {
            return Self::new(samples);
        }
        let mut values = std::mem::take(samples);
        values.iter_mut().for_each(|v| *v -= mean);
        Self {
            values,
            mean,
            missing: None,
        }
    }

    /// Mean of the samples that are there, of which `rest` is left.
    pub(super) fn offset(&self, rest: &[f64]) -> f64 {
        let (mut sum, mut count) = (0.0, 0usize);
        for (_, r) in rest.iter().enumerate().filter(|(i, _)| self.has(*i)) {
            sum += r;
            count += 1;
        }
        self.mean + sum / count.max(1) as f64
    }

    /// The samples, with straight lines across those that are missing.
    pub(super) fn bridged(&self) -> Vec<f64> {
        let mut values = self.values.clone();
        let Some(missing) = &self.missing else {
            return values;
        };
        let mut last: Option<usize> = None;
        for i in (0..values.len()).filter(|i| missing[*i] > 0.0) {
            let to = values[i];
            match last {
                None => values[..i].fill(to),
                Some(from) => {
                    let step = (to - values[from]) / (i - from) as f64;
                    for j in from + 1..i {
                        values[j] = values[j - 1] + step;
                    }
                }
            }
            last = Some(i);
        }
        if let Some(from) = last {
            let held = values[from];
            values[from + 1..].fill(held);
        }
        values
    }

    /// Whether a sample is there.
    pub(super) fn has(&self, i: usize) -> bool {
        self.missing.as_ref().is_none_or(|w| w[i] > 0.0)
    }

    /// Gives the samples back to where they were taken from.
    fn put_back(self, samples: &mut Vec<f64>) {
        if samples.is_empty() {
            *samples = self.values;
            samples.iter_mut().for_each(|v| *v += self.mean);
        }
    }

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
/// let parts = harmonic(&hum, 1000.0, &HarmonicOptions::default())?;
/// assert!((parts.offset - 0.1).abs() < 1e-3);
/// let worst = parts.cleaned.iter().fold(0.0f64, |worst, v| worst.max(v.abs()));
/// assert!(worst < 0.01, "no more than the noise is left");
/// for ((x, hum), cleaned) in hum.iter().zip(&parts.interference).zip(&parts.cleaned) {
///     assert!((parts.offset + hum + cleaned - x).abs() < 1e-9);
/// }
/// # Ok::<(), humsieve::Error>(())
/// ```
///
/// # Errors
/// `NoSamples` for no samples, `BadOption` for a rate or a setting out of range.
pub fn harmonic(
    samples: &[f64],
    sample_rate_hz: f64,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    options.check()?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let mut interference = vec![0.0; samples.len()];
    separate_alone(&centred, sample_rate_hz, options, &mut interference);
    Ok(Parts::new(samples, &centred, interference, unit))
}

/// The hum of one stretch, into `hum`, what is known of it and what the next stretch may start from; `lead` is
/// what the one before handed on.
pub(super) fn separate_hum(
    samples: &mut Vec<f64>,
    rate_hz: f64,
    options: &HarmonicOptions,
    lead: Option<&Lead>,
    hum: &mut Vec<f64>,
) -> (Findings, Option<Lead>) {
    hum.resize(samples.len(), 0.0);
    let continued = lead.and_then(|lead| continue_hum(samples, rate_hz, options, lead, hum));
    let (fitted, next, mains_power) = match continued {
        Some((fitted, lasting, power)) => {
            let next = Lead::new(&fitted, rate_hz, &options.nominal_hz)
                .and_then(|next| next.with_orders(&lasting));
            (fitted, next, power)
        }
        None => {
            let centred = Centred::in_place(samples);
            let fitted = separate_alone(&centred, rate_hz, options, hum);
            let rest = Rest::new(&centred.values, hum, 0.0);
            centred.put_back(samples);
            // A tone beside an order is looked for again in every stretch.
            let next = Lead::new(&fitted, rate_hz, &options.nominal_hz)
                .filter(|_| !rest.is_rough() && fitted.others.is_empty());
            (fitted, next, rest.hum)
        }
    };
    let mut findings = findings(&fitted, hum.len(), rate_hz);
    findings.mains_power = mains_power;
    for other in &fitted.others {
        findings.warn(
            WarningCode::LineNearHarmonic,
            format!(
                "a tone at {:.4} Hz beside the {} order does not follow the mains and stays, with that order's hum; \
                 --template takes such an order's hum out, --protect keeps a tone that is not told by itself",
                other.hz,
                ordinal(other.order)
            ),
        );
    }
    (findings, next)
}

/// Fits a stretch as the one before it and puts its hum into `hum`; returns the fit, its orders that stand out
/// and the hum's power, `None` where the stretch is of another kind.
fn continue_hum(
    samples: &[f64],
    rate_hz: f64,
    options: &HarmonicOptions,
    lead: &Lead,
    hum: &mut [f64],
) -> Option<(Fit, Vec<usize>, f64)> {
    const ATTEMPTS: usize = 2;
    let settings = settings(rate_hz, options);
    let top = settings
        .highest_order
        .min((0.49 * rate_hz / options.lowest()) as usize);
    let mean = sum(samples) / samples.len() as f64;
    if !mean.is_finite() {
        return None;
    }
    let mut orders = lead.orders.clone();
    for _ in 0..ATTEMPTS {
        let fitted = go_on(samples, mean, lead, &orders, &settings)?;
        if !play(&fitted.model, hum) {
            fitted.model.residual(samples, hum);
            hum.iter_mut().zip(samples).for_each(|(h, x)| *h = x - *h);
        }
        let rest = Rest::new(samples, hum, mean);
        if rest.is_rough() || !rest.is_less() {
            return None;
        }
        let seen = standing_out(samples, hum, &fitted.model, top, &settings);
        let known = |seen: &Seen| fitted.model.orders.contains(&seen.order);
        if !seen.iter().any(|s| known(s) && s.is_plain(0.01)) {
            return None;
        }
        // One chapter in a thousand shows an order that is not there; it is not handed on for long.
        let near = fitted.model.orders.iter().max().map_or(0, |k| k + 4);
        let new = seen
            .iter()
            .filter(|s| !known(s))
            .filter(|s| s.is_plain(0.001) || (s.order <= near && s.is_likely(0.001)));
        let before = orders.len();
        orders.extend(new.map(|s| s.order));
        if orders.len() == before {
            let lasting = seen.iter().filter(|s| known(s)).map(|s| s.order).collect();
            return Some((fitted, lasting, rest.hum));
        }
        orders.sort_unstable();
    }
    None
}

/// Fits a stretch of which nothing is known and puts its hum into `hum`.
fn separate_alone(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    hum: &mut [f64],
) -> Fit {
    let x = &centred.values;
    let fitted = fit_record(centred, rate_hz, options);
    fitted.model.residual(x, hum);
    let square = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    if square(hum) <= square(x) {
        hum.iter_mut().zip(x).for_each(|(h, x)| *h = x - *h);
        fitted
    } else {
        // What adds power, or is no number, is no hum.
        hum.fill(0.0);
        Fit::default()
    }
}

fn settings(rate_hz: f64, options: &HarmonicOptions) -> FitSettings {
    FitSettings {
        rate_hz,
        highest_order: options.harmonics.unwrap_or(MOST_HARMONICS),
        protect_hz: options.protect_hz.clone(),
    }
}

pub(super) fn fit_record(centred: &Centred, rate_hz: f64, options: &HarmonicOptions) -> Fit {
    let x = &centred.values;
    let duration = x.len() as f64 / rate_hz;
    let lowest = options.lowest();
    let scale = x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    if scale == 0.0 || duration * lowest < 1.0 || 0.49 * rate_hz < lowest {
        return Fit::default();
    }
    let Some(seen) = prospect(centred, rate_hz, options) else {
        return Fit::default();
    };
    let mut settings = settings(rate_hz, options);
    settings.protect_hz.extend(seen.others.iter().map(|o| o.hz));
    Fit {
        others: seen.others,
        ..fit_series(centred, &seen.nominal_hz, settings)
    }
}

/// Fits the series of one of `nominals`.
fn fit_series(centred: &Centred, nominals: &[f64], mut settings: FitSettings) -> Fit {
    let x = &centred.values;
    let rate_hz = settings.rate_hz;
    let lowest = nominals.iter().copied().fold(f64::INFINITY, f64::min);
    if x.len() as f64 / rate_hz * lowest < SHORT_CYCLES {
        return fit_short(x, centred.missing.as_deref(), nominals, &settings);
    }
    if centred.missing.is_none()
        && let Some(fitted) = fit_reduced(x, nominals, &settings)
    {
        return fitted;
    }
    let Some(track) = search(x, rate_hz, nominals, &settings.protect_hz) else {
        return Fit::default();
    };
    let below_nyquist = (0.49 * rate_hz / track.nominal_hz).floor() as usize;
    settings.highest_order = settings.highest_order.min(below_nyquist);
    if settings.highest_order == 0 {
        return Fit::default();
    }
    fit(x, centred.missing.clone(), &track, &settings)
}

/// What a fit says of a stretch of so many samples, but for the power of its hum.
pub(super) fn findings(fitted: &Fit, samples: usize, rate_hz: f64) -> Findings {
    let model = &fitted.model;
    let mut findings = Findings {
        detected: !model.orders.is_empty(),
        ..Findings::default()
    };
    if !findings.detected {
        findings.warn(
            WarningCode::MainsNotDetected,
            "no mains series stands above the noise; no hum was taken out",
        );
        findings.notes.push(
            "harmonic method: no mains series stands above the noise, so no hum was taken out"
                .into(),
        );
        return findings;
    }
    let samples = samples as f64;
    let duration = samples / rate_hz;
    let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
    let mean_hz = cycles / duration;
    let mut information = 0.0;
    for (o, &order) in model.orders.iter().enumerate() {
        let power = mean_power(fitted, o);
        information += 2.0 / fitted.noise[o] * (2.0 * PI * order as f64).powi(2) * power * samples;
        let parameters = fitted.parameters.get(o).copied().unwrap_or(1.0);
        findings.residual_power += 0.5 * fitted.noise[o] * parameters / samples;
        findings.residual_degrees += 2.0 * parameters;
        let half = 0.5 * (parameters + 1.0) / duration;
        let centre = order as f64 * mean_hz;
        findings.touched.push(TouchedBand {
            low_hz: (centre - half).max(0.0),
            high_hz: centre + half,
            removed_rms: (0.5 * power).sqrt(),
        });
    }
    findings.residual_power += following(fitted, samples);
    findings.residual_degrees += fitted.track_parameters;
    // Variance of the slope of a phase known with this information, spread evenly over the record.
    let deviation = (12.0 / information.max(1e-300)).sqrt() / duration;
    findings.frequency = Some((mean_hz, deviation));
    findings.track = track(fitted, rate_hz);
    let highest = model.orders.iter().max().copied().unwrap_or(0);
    let moving = model.deviations.iter().filter(|d| !d.is_empty()).count();
    let mut note = format!(
        "harmonic method: {} orders of {mean_hz:.4} Hz, the highest the {}, tracked together",
        model.orders.len(),
        ordinal(highest)
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

/// A number as a rank: 1st, 2nd, 23rd.
fn ordinal(n: usize) -> String {
    let ending = match (n % 10, n % 100) {
        (1, tens) if tens != 11 => "st",
        (2, tens) if tens != 12 => "nd",
        (3, tens) if tens != 13 => "rd",
        _ => "th",
    };
    format!("{n}{ending}")
}

/// Mean square of what the phase track's errors leave: a real parameter of it costs a quarter of the orders' noise,
/// weighted by what the phase means to them (a complex amplitude costs half of its order's).
pub(super) fn following(fitted: &Fit, samples: f64) -> f64 {
    let (mut steep, mut certain) = (0.0, 1e-300);
    for (o, &order) in fitted.model.orders.iter().enumerate() {
        let slope = (order as f64).powi(2) * mean_power(fitted, o);
        steep += slope;
        certain += slope / fitted.noise[o].max(1e-300);
    }
    0.25 * fitted.track_parameters * steep / certain / samples
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

#[cfg(test)]
mod tests {
    use super::ordinal;

    #[test]
    fn ranks_are_spoken() {
        let spoken: Vec<String> = [1, 2, 3, 11, 12, 23, 112, 121].map(ordinal).into();
        let expected = [
            "1st", "2nd", "3rd", "11th", "12th", "23rd", "112th", "121st",
        ];
        assert_eq!(spoken, expected);
    }
}

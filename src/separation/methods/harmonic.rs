//! The harmonic method: one channel, a series of one tracked fundamental.

use super::parts::Parts;
use super::series_findings::{ordinal, series_findings};
use crate::hum::part_with_hum;
use crate::numeric::sum;
use crate::separation::findings::Findings;
use crate::separation::fit::{
    Course, Fit, FitSettings, Lead, Rest, Seen, fit_record, go_on, play, standing_out,
};
use crate::separation::options::HarmonicOptions;
use crate::separation::samples::{Centred, check_samples, in_units};
use crate::{Error, WarningCode};
use std::ops::Range;

/// Separates the mains series from one channel.
///
/// Whether mains is there, and at which frequency, is what [`measure`](crate::analysis::measure()) says of the record; the
/// fundamental is tracked from there by all harmonics together. Each harmonic that stands above the noise beside it has
/// an amplitude whose memory the data choose, up to the whole record. A record without a mains series comes back as offset
/// and rest.
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
    if let Some(course) = Course::measured(&scaled, sample_rate_hz, options) {
        separate_alone(
            &centred,
            sample_rate_hz,
            options,
            &course,
            &mut interference,
        );
    }
    Ok(Parts::new(samples, &centred, interference, unit))
}

/// The hum of one stretch that runs as `course` says, into `hum`, what is known of it and what the next stretch may start
/// from; `lead` is what the one before handed on.
pub(crate) fn separate_hum(
    samples: &mut Vec<f64>,
    rate_hz: f64,
    options: &HarmonicOptions,
    (course, lead): (Option<&Course>, Option<&Lead>),
    hum: &mut Vec<f64>,
) -> (Findings, Option<Lead>) {
    hum.resize(samples.len(), 0.0);
    let Some(course) = course else {
        hum.fill(0.0);
        return (series_findings(&Fit::default(), hum.len(), rate_hz), None);
    };
    let settings = FitSettings::new(rate_hz, options);
    let continued = lead.and_then(|lead| continue_hum(samples, &settings, lead, hum));
    let (fitted, next, mains_power, part) = match continued {
        Some((fitted, next, power)) => (fitted, next, power, None),
        None => {
            hum.fill(0.0);
            let centred = Centred::in_place(samples);
            let (fitted, part) = separate_alone(&centred, rate_hz, options, course, hum);
            let rest = Rest::new(&centred.values, hum, 0.0);
            centred.put_back(samples);
            // A tone beside an order is looked for again in every stretch.
            let next = Lead::new(&fitted, rate_hz, course.nominal_hz)
                .filter(|_| part.is_none() && !rest.is_rough() && fitted.others.is_empty());
            (fitted, next, rest.hum, part)
        }
    };
    let fitted_samples = part.as_ref().map_or(hum.len(), Range::len);
    let mut findings = series_findings(&fitted, fitted_samples, rate_hz);
    if let Some(part) = part {
        findings.tell_of_part(part, hum.len(), rate_hz);
    }
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

/// Fits a stretch as the one before it and puts its hum, one value a sample, into `hum`; returns the fit, what it hands on and
/// the hum's power, `None` where the stretch is of another kind.
pub(crate) fn continue_hum(
    samples: &[f64],
    settings: &FitSettings,
    lead: &Lead,
    hum: &mut [f64],
) -> Option<(Fit, Option<Lead>, f64)> {
    const ATTEMPTS: usize = 2;
    let nominal_hz = lead.nominal_hz;
    let top = settings
        .highest_order
        .min((0.49 * settings.rate_hz / nominal_hz) as usize);
    let mean = sum(samples) / samples.len() as f64;
    if !mean.is_finite() {
        return None;
    }
    let mut orders = lead.orders.clone();
    for _ in 0..ATTEMPTS {
        let fitted = go_on(samples, mean, lead, &orders, settings)?;
        if !play(&fitted.model, hum) {
            fitted.model.residual(samples, hum);
            hum.iter_mut().zip(samples).for_each(|(h, x)| *h = x - *h);
        }
        let rest = Rest::new(samples, hum, mean);
        if rest.is_rough() || !rest.is_less() {
            return None;
        }
        let seen = standing_out(samples, hum, &fitted.model, top, settings);
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
            let lasting: Vec<usize> = seen.iter().filter(|s| known(s)).map(|s| s.order).collect();
            let next = Lead::new(&fitted, settings.rate_hz, nominal_hz)
                .and_then(|next| next.with_orders(&lasting));
            return Some((fitted, next, rest.hum));
        }
        orders.sort_unstable();
    }
    None
}

/// Fits a stretch of which its course alone is known and puts its hum into `hum`.
fn separate_alone(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    course: &Course,
    hum: &mut [f64],
) -> (Fit, Option<Range<usize>>) {
    let whole = &centred.values;
    let part = match centred.missing {
        Some(_) => None,
        None => part_with_hum(whole, rate_hz, &[course.nominal_hz]).map(|(span, _)| span.samples),
    };
    if let Some(part) = &part {
        // Where the hum is not there, nothing is taken out.
        let own = Centred::new(&whole[part.clone()]);
        let own_course = course.from(part.start as f64 / rate_hz);
        let hum = &mut hum[part.clone()];
        let fitted = fit_throughout(&own, rate_hz, options, &own_course, hum);
        if !fitted.model.orders.is_empty() {
            return (fitted, Some(part.clone()));
        }
    }
    (fit_throughout(centred, rate_hz, options, course, hum), None)
}

/// The same of a stretch that holds its hum throughout.
fn fit_throughout(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    course: &Course,
    hum: &mut [f64],
) -> Fit {
    let x = &centred.values;
    let fitted = fit_record(centred, rate_hz, options, course);
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

//! Separation by a template.

use super::alignment::Alignment;
use super::series::Template;
use crate::separation::findings::Findings;
use crate::separation::fit::{Course, Fit, fit_record};
use crate::separation::methods::parts::Parts;
use crate::separation::methods::series_findings::series_findings;
use crate::separation::options::HarmonicOptions;
use crate::separation::result::Match;
use crate::separation::samples::{Centred, check_samples, in_units};
use crate::{Error, WarningCode};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the template's orders below which a separation warns that the load changed.
const FEW_AGREE: f64 = 0.5;

/// Separates by a template: time shift, frequency and one gain are fitted on the harmonics that agree
/// with it, and the whole series follows from the template. A signal on a harmonic survives. The rate, Hz, need not be the
/// template's; a record without a mains series comes back as offset and rest.
///
/// # Errors
/// `BadValue` where the template does not fit the record, `NoSamples` for no samples, `BadOption` for a rate or a
/// setting out of range.
pub fn template(
    samples: &[f64],
    sample_rate_hz: f64,
    template: &Template,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    options.check()?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let course = Course::measured(&scaled, sample_rate_hz, options);
    let (interference, _) =
        separate_template(&centred, sample_rate_hz, template, options, course.as_ref())?;
    Ok(Parts::new(samples, &centred, interference, unit))
}

pub(crate) fn separate_template(
    centred: &Centred,
    rate_hz: f64,
    template: &Template,
    options: &HarmonicOptions,
    course: Option<&Course>,
) -> Result<(Vec<f64>, Findings), Error> {
    let fit = |options: &HarmonicOptions| {
        course.map_or_else(Fit::default, |course| {
            fit_record(centred, rate_hz, options, course)
        })
    };
    let first = fit(options);
    if first.model.orders.is_empty() {
        let hum = vec![0.0; centred.values.len()];
        let mut found = series_findings(&first, hum.len(), rate_hz);
        found.notes =
            vec!["template method: the record shows no mains series, so none was taken out".into()];
        found.own_offset = Some(template.offset);
        return Ok((hum, found));
    }
    let samples = centred.values.len() as f64;
    let duration_s = samples / rate_hz;
    let again = |barred: Vec<f64>| {
        let mut clear = options.clone();
        clear.protect_hz.extend(barred);
        fit(&clear)
    };
    let (fitted, alignment) = aligned(template, duration_s, first, again)?;
    let track_error = fitted.track_error(samples);
    let fitted = following(fitted, template, &alignment, samples);
    let mut rest = vec![0.0; centred.values.len()];
    fitted.model.residual(&centred.values, &mut rest);
    let hum: Vec<f64> = centred
        .values
        .iter()
        .zip(&rest)
        .map(|(x, r)| x - r)
        .collect();
    let mut found = series_findings(&fitted, hum.len(), rate_hz);
    found.residual_power += track_error + alignment.doubt(template);
    found.mains_power = hum.iter().map(|v| v * v).sum::<f64>() / hum.len() as f64;
    // Of what the orders leave unexplained nobody knows how much is the record's noise.
    found.unsure_power = alignment.misfit * found.mains_power;
    let mean_hz = fitted.model.cycles() * rate_hz / samples;
    found.touched.clear();
    found.notes = vec![format!(
        "template method: {} of {} orders agree with the template (gain {:.4}, {:.2} % of their \
         power unexplained); the others follow from it, so a signal on them is left",
        alignment.agreeing.len(),
        template.orders.len(),
        alignment.gain,
        100.0 * alignment.misfit,
    )];
    found.own_offset = Some(template.offset);
    found.matched = Some(Match {
        gain: alignment.gain / template.unit,
        delay_s: -alignment.shift_cycles / mean_hz,
        coherence: 1.0 - alignment.misfit,
        bound_db: None,
        reached_db: Some(-10.0 * alignment.misfit.max(1e-12).log10()),
        rejection: Vec::new(),
        noise_factor: 1.0,
    });
    if fitted.model.constants.len() > 1 || alignment.share < FEW_AGREE {
        found.warn(
            WarningCode::RangeMismatch,
            "the record's mains waveform differs from the template's in places: the load changed \
             between the captures; take both in the same state of the set-up",
        );
    }
    Ok((hum, found))
}

/// A fit and how the template lies on it. A signal on a harmonic would move the phase track: the record is fitted again
/// without the orders that disagree.
fn aligned(
    template: &Template,
    duration_s: f64,
    first: Fit,
    again: impl Fn(Vec<f64>) -> Fit,
) -> Result<(Fit, Alignment), Error> {
    let alignment = Alignment::new(template, &first)?;
    let agrees = |k: &usize| {
        let place = template.orders.iter().position(|o| o == k);
        place.is_some_and(|i| alignment.agreeing.contains(&i))
    };
    let mean_hz = first.model.cycles() / duration_s;
    let disagreeing = first.model.orders.iter().filter(|k| !agrees(k));
    let barred: Vec<f64> = disagreeing.map(|k| *k as f64 * mean_hz).collect();
    if barred.is_empty() {
        return Ok((first, alignment));
    }
    let again = again(barred);
    if again.model.orders.is_empty() {
        return Ok((first, alignment));
    }
    let alignment = Alignment::new(template, &again)?;
    Ok((again, alignment))
}

/// The template's series on the phase track of a fit.
fn following(mut fitted: Fit, template: &Template, alignment: &Alignment, samples: f64) -> Fit {
    let pieces = fitted.model.constants.len();
    let constants: Vec<Complex64> = template
        .orders
        .iter()
        .zip(&template.amplitudes)
        .map(|(k, a)| {
            let turn = 2.0 * PI * *k as f64 * alignment.shift_cycles;
            a * alignment.gain * Complex64::from_polar(1.0, turn)
        })
        .collect();
    fitted.track_parameters = 0.0;
    fitted.model.set_orders(template.orders.clone());
    fitted.model.constants = vec![constants; pieces];
    fitted.parameters = vec![1.0; template.orders.len()];
    fitted.noise = template
        .variances
        .iter()
        .map(|v| v * alignment.gain.powi(2) * samples)
        .collect();
    fitted
}

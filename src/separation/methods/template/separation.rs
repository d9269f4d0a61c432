//! Separation by a template.

use super::alignment::Alignment;
use super::direct::{Laid, lay};
use super::series::Template;
use crate::separation::findings::Findings;
use crate::separation::fit::{Course, Fit, Spent, fit_record};
use crate::separation::methods::parts::Parts;
use crate::separation::methods::series_findings::series_findings;
use crate::separation::options::HarmonicOptions;
use crate::separation::result::Match;
use crate::separation::samples::{Centred, check_samples, in_units};
use crate::{Error, WarningCode};

/// Cycles below which the template's shape in time is tried.
const FEW_CYCLES: f64 = 13.0;
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
    let hz = course.map_or(template.hz, |course| course.mean_hz);
    let few = (centred.values.len() as f64) < FEW_CYCLES * rate_hz / hz;
    // A record so short hardly knows its own frequency.
    let tried = [template.hz, hz].into_iter().filter(|_| few);
    let laid = tried
        .filter_map(|hz| lay(template, centred, hz / rate_hz))
        .max_by(|a, b| a.strength.total_cmp(&b.strength));
    if let Some(laid) = laid.as_ref().filter(|laid| laid.breaks > 0) {
        return Ok(separate_laid(centred, rate_hz, template, laid));
    }
    let by_orders = separate_by_orders(centred, rate_hz, template, options, course);
    match (by_orders, laid) {
        (Ok((_, found)), Some(laid)) if !found.detected => {
            Ok(separate_laid(centred, rate_hz, template, &laid))
        }
        (Err(_), Some(laid)) => Ok(separate_laid(centred, rate_hz, template, &laid)),
        (by_orders, _) => by_orders,
    }
}

/// By the template's shape in time.
fn separate_laid(
    centred: &Centred,
    rate_hz: f64,
    template: &Template,
    laid: &Laid,
) -> (Vec<f64>, Findings) {
    let fitted = Fit {
        noise: vec![0.0; laid.model.orders.len()],
        model: laid.model.clone(),
        ..Fit::default()
    };
    let (hum, mut found) = taken_out(centred, rate_hz, &fitted);
    found.left = laid.left;
    let mean_hz = laid.model.cycles() * rate_hz / centred.values.len() as f64;
    found.notes = vec![format!(
        "template method: the template's shape was laid on the record as a whole (gain {:.4}), with a level of its own from \
         step to step: {} breaks of the level were seen",
        laid.gain, laid.breaks
    )];
    found.own_offset = Some(template.offset);
    let left = (laid.left.power / found.mains_power.max(f64::MIN_POSITIVE)).clamp(1e-12, 1.0);
    found.matched = Some(Match {
        gain: laid.gain / template.unit,
        delay_s: -laid.shift_cycles / mean_hz,
        coherence: 1.0 - left,
        reached_db: Some(-10.0 * left.log10()),
        noise_factor: 1.0,
        ..Match::default()
    });
    (hum, found)
}

/// The hum of a fitted series, and what is said of it.
fn taken_out(centred: &Centred, rate_hz: f64, fitted: &Fit) -> (Vec<f64>, Findings) {
    let mut rest = vec![0.0; centred.values.len()];
    fitted.model.residual(&centred.values, &mut rest);
    let hum: Vec<f64> = centred
        .values
        .iter()
        .zip(&rest)
        .map(|(x, r)| x - r)
        .collect();
    let mut found = series_findings(fitted, hum.len(), rate_hz);
    found.mains_power = hum.iter().map(|v| v * v).sum::<f64>() / hum.len() as f64;
    found.touched.clear();
    (hum, found)
}

/// By the orders on which record and template agree.
fn separate_by_orders(
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
    let mut doubts = alignment.left(template);
    doubts.left.add_weighted(1.0, &fitted.track_error(samples));
    let fitted = following(fitted, template, &alignment);
    let (hum, mut found) = taken_out(centred, rate_hz, &fitted);
    found.left = doubts.left;
    // Half of what is unsure counts as its value.
    found.unsure_power = 2.0 * doubts.changed;
    found.unseen_power = doubts.unseen;
    let mean_hz = fitted.model.cycles() * rate_hz / samples;
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
        reached_db: Some(-10.0 * alignment.misfit.max(1e-12).log10()),
        noise_factor: 1.0,
        ..Match::default()
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
fn following(mut fitted: Fit, template: &Template, alignment: &Alignment) -> Fit {
    let pieces = fitted.model.constants.len();
    let count = template.orders.len();
    fitted.model.set_orders(template.orders.clone());
    fitted.model.constants = vec![alignment.amplitudes(template); pieces];
    fitted.spent = Spent::default();
    fitted.noise = vec![0.0; count];
    fitted
}

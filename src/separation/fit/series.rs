//! A record's mains series, fitted in the way that its length and rate ask for.

use super::course::Course;
use super::fitted::Fit;
use super::other_tones::other_tones;
use super::reduced::fit_reduced;
use super::settings::FitSettings;
use super::short::fit_short;
use super::tracked::fit;
use crate::separation::options::HarmonicOptions;
use crate::separation::samples::Centred;

/// Records of fewer cycles are fitted as a whole.
const SHORT_CYCLES: f64 = 13.0;

/// Fits the series that runs as `course` says; an empty fit where none stands out.
pub(crate) fn fit_record(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    course: &Course,
) -> Fit {
    let x = &centred.values;
    let cycles = x.len() as f64 / rate_hz * course.nominal_hz;
    let below_nyquist = (0.49 * rate_hz / course.nominal_hz) as usize;
    if cycles < 1.0 || below_nyquist == 0 || x.iter().all(|v| *v == 0.0) {
        return Fit::default();
    }
    let fitted = fit_beside(centred, rate_hz, options, course, cycles);
    if fitted.is_finite() {
        fitted
    } else {
        Fit::default()
    }
}

fn fit_beside(
    centred: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    course: &Course,
    cycles: f64,
) -> Fit {
    let others = other_tones(centred, rate_hz, course);
    let mut settings = FitSettings::new(rate_hz, options);
    settings.protect_hz.extend(others.iter().map(|o| o.hz));
    Fit {
        others,
        ..fit_series(centred, course, settings, cycles)
    }
}

fn fit_series(centred: &Centred, course: &Course, mut settings: FitSettings, cycles: f64) -> Fit {
    let x = &centred.values;
    if cycles < SHORT_CYCLES {
        return fit_short(x, centred.missing.as_deref(), course, &settings);
    }
    if centred.missing.is_none()
        && let Some(fitted) = fit_reduced(x, course, &settings)
    {
        return fitted;
    }
    let below_nyquist = (0.49 * settings.rate_hz / course.nominal_hz) as usize;
    settings.highest_order = settings.highest_order.min(below_nyquist);
    fit(x, centred.missing.clone(), course, &settings)
}

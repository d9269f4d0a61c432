//! A record's mains series, fitted in the way that its length and rate ask for.

use super::fitted::Fit;
use super::prospect::prospect;
use super::reduced::fit_reduced;
use super::search::search;
use super::settings::FitSettings;
use super::short::fit_short;
use super::tracked::fit;
use crate::separation::options::HarmonicOptions;
use crate::separation::samples::Centred;

/// Records of fewer cycles are fitted as a whole.
const SHORT_CYCLES: f64 = 13.0;

/// Fits the series of one of the nominal frequencies; an empty fit where there is none.
pub(crate) fn fit_record(centred: &Centred, rate_hz: f64, options: &HarmonicOptions) -> Fit {
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
    let mut settings = FitSettings::new(rate_hz, options);
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

//! The reference method: what is coherent with a channel that senses the ground noise alone.

use super::fit::FitSettings;
use super::harmonic::{Centred, HarmonicOptions, Parts, findings, fit_record};
use super::input::{check_pair, check_samples};
use super::matching::{Correlations, CrossSpectra, match_channels};
use super::projection::project;
use super::result::{Findings, Match};
use crate::Error;

/// Longest delay between the channels, s.
const LONGEST_DELAY_S: f64 = 0.02;
const LONGEST_LAG: f64 = 8192.0;

/// Separates what is coherent with `reference`, a channel of equal length that senses the ground noise
/// alone.
///
/// The reference's mains series is tracked and passed on through one transfer coefficient an order,
/// free of the reference's own noise; the rest goes through a gain and delay (also a fraction of a
/// sample) or a short filter, as far as the data support it.
///
/// # Errors
/// `NoSamples` for no samples, `BadValue` for channels of unequal length, `BadOption` for a rate or a setting out of
/// range.
pub fn reference(
    samples: &[f64],
    reference: &[f64],
    sample_rate_hz: f64,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    check_pair(samples, reference)?;
    options.check()?;
    let centred = Centred::new(samples);
    let other = Centred::new(reference);
    let (interference, _) = separate_reference(&centred, &other, sample_rate_hz, options);
    Ok(Parts::new(samples, &centred, interference))
}

pub(super) fn separate_reference(
    centred: &Centred,
    other: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
) -> (Vec<f64>, Findings) {
    let n = centred.values.len();
    let power = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>() / n.max(1) as f64;
    let mut reference_fit = fit_record(other, rate_hz, options);
    let mut rest = vec![0.0; n];
    reference_fit.model.residual(&other.values, &mut rest);
    let other_rest = rest.clone();
    let mut found = Findings::default();
    let mut orders = 0;
    if !reference_fit.model.orders.is_empty() && n > 64 {
        let settings = FitSettings {
            rate_hz,
            highest_order: usize::MAX,
            protect_hz: Vec::new(),
        };
        let noise = project(
            &centred.values,
            centred.missing.clone(),
            &mut reference_fit.model,
            &settings,
        );
        reference_fit.parameters = vec![1.0; noise.len()];
        reference_fit.noise = noise;
        orders = reference_fit.model.orders.len();
    }
    reference_fit.model.residual(&centred.values, &mut rest);
    let mut removed: Vec<f64> = centred
        .values
        .iter()
        .zip(&rest)
        .map(|(x, r)| x - r)
        .collect();
    if orders > 0 {
        found = findings(&reference_fit, n, rate_hz);
        found.mains_power = power(&removed);
    }
    let longest = (LONGEST_DELAY_S * rate_hz)
        .min(LONGEST_LAG)
        .min(n as f64 / 8.0) as usize;
    let spectra = CrossSpectra::new(&centred.values, &other.values, rate_hz);
    let coherence = spectra.coherence();
    let mut matched = Match {
        coherence,
        bound_db: bound(coherence),
        noise_factor: 1.0,
        ..Match::default()
    };
    let filter = match_channels(&rest, &other_rest, longest, rate_hz, Correlations::filter);
    if let Some(filter) = &filter {
        for (r, v) in removed.iter_mut().zip(filter.apply(&other_rest)) {
            *r += v;
        }
        found.own_offset = Some(filter.gain * other.offset(&other_rest));
        matched.gain = filter.gain;
        matched.delay_s = filter.delay / rate_hz;
    }
    let left: Vec<f64> = centred
        .values
        .iter()
        .zip(&removed)
        .map(|(x, r)| x - r)
        .collect();
    let (before, after) = (power(&centred.values), power(&left));
    if after > 0.0 {
        matched.reached_db = Some(10.0 * (before / after).log10());
    }
    found.coherent_power = power(&removed);
    let broadband = match &filter {
        Some(f) => format!(
            "the rest through {} taps (gain {:.4}, delay {:.3} samples)",
            f.taps.len(),
            f.gain,
            f.delay
        ),
        None => "beyond them nothing is coherent, so no more was taken out".into(),
    };
    found.notes = vec![format!(
        "reference method: coherence {coherence:.4}; {orders} mains orders through one transfer \
         coefficient each; {broadband}"
    )];
    if orders == 0 && filter.is_none() {
        found.notes = vec![
            "reference method: nothing is coherent with the reference, so nothing was taken out"
                .into(),
        ];
    }
    found.matched = Some(matched);
    (removed, found)
}

/// Best reduction that a coherence allows, dB.
pub(super) fn bound(coherence: f64) -> Option<f64> {
    (coherence < 1.0).then(|| -10.0 * (1.0 - coherence).log10())
}

//! Unlike conditions: which figures a difference of range, rate, coupling or probe spoils.

use super::choice::{Selection, is_ac_coupled, warns};
use crate::analysis::Measurement;
use crate::{Condition, Warning, WarningCode};
use std::collections::BTreeMap;

type Selections<'a> = BTreeMap<Condition, Selection<'a>>;

/// Least relative differences that count. Settings differ by a factor of two at least and are read from text or
/// a header; steps are inferred; lengths of one kind of capture differ by a few samples.
const SETTING: f64 = 0.01;
const RATE: f64 = 1e-3;
const STEP: f64 = 0.1;
const LENGTH: f64 = 0.1;

/// Warnings on what differs between the conditions, and notes on what has no warning code.
pub(in crate::comparison) fn find(selections: &Selections<'_>) -> (Vec<Warning>, Vec<String>) {
    let between = [
        ranges(selections).or_else(|| steps(selections)),
        probes(selections),
        rates(selections),
        bands(selections),
        couplings(selections),
    ];
    let within = selections.iter().flat_map(|(c, s)| of_condition(*c, s));
    let warnings = between.into_iter().flatten().chain(within).collect();
    let lengths = differing(selections, |m| Some(m.duration_s), LENGTH).map(|found| {
        format!(
            "Record lengths differ ({found} s): peak_to_peak grows with the length of a record."
        )
    });
    (warnings, lengths.into_iter().collect())
}

fn ranges(selections: &Selections<'_>) -> Option<Warning> {
    let found = differing(selections, |m| m.acquisition.full_scale_v, SETTING)?;
    Some(WarningCode::RangeMismatch.warning(format!(
        "ranges differ ({found} V full scale): dc_offset, noise_rms, ac_rms and peak_to_peak hold \
             each range's own offset, noise and step, so their excess over the baseline is \
             spoiled; take the floor again on the range used"
    )))
}

fn steps(selections: &Selections<'_>) -> Option<Warning> {
    let found = differing(selections, |m| m.quality.lsb, STEP)?;
    Some(WarningCode::RangeMismatch.warning(format!(
        "the converter's steps differ ({found} V), as of different ranges: the excess of \
             dc_offset, noise_rms, ac_rms and peak_to_peak over the baseline is spoiled; take \
             the floor again on the range used"
    )))
}

fn probes(selections: &Selections<'_>) -> Option<Warning> {
    let found = differing(selections, |m| m.acquisition.probe_factor, SETTING)?;
    Some(WarningCode::RangeMismatch.warning(format!(
        "probe settings differ ({found} to 1): noise_rms, ac_rms, peak_to_peak and dc_offset \
             hold the instrument's floor times the probe's factor; take all conditions with one \
             setting"
    )))
}

fn rates(selections: &Selections<'_>) -> Option<Warning> {
    let found = differing(selections, |m| Some(m.sample_rate_hz), RATE)?;
    Some(WarningCode::RateMismatch.warning(format!(
        "sample rates differ ({found} Hz): ac_rms and peak_to_peak hold different bandwidths; \
             hum_rms, harmonics and noise_rms are compared in the common band"
    )))
}

fn bands(selections: &Selections<'_>) -> Option<Warning> {
    let found = differing(selections, |m| Some(m.noise.band_hz.1), RATE)
        .or_else(|| differing(selections, |m| Some(m.noise.band_hz.0), RATE))?;
    Some(WarningCode::RateMismatch.warning(format!(
        "noise bands differ ({found} Hz at one edge): noise_rms is not comparable; measure \
             all captures in one band"
    )))
}

fn couplings(selections: &Selections<'_>) -> Option<Warning> {
    let coupled: Vec<bool> = selections
        .values()
        .filter_map(|s| s.alternating.first().map(|m| is_ac_coupled(m)))
        .collect();
    (coupled.contains(&true) && coupled.contains(&false)).then(|| {
        WarningCode::CouplingMismatch.warning(
            "AC and DC coupled captures are compared: the low harmonics, hum_rms, ac_rms and \
             peak_to_peak of the AC-coupled ones are lowered, and dc_offset comes from the others \
             alone; take all conditions DC coupled",
        )
    })
}

/// What the captures that were chosen for a condition lack.
fn of_condition(condition: Condition, selection: &Selection<'_>) -> Vec<Warning> {
    let captures = &selection.alternating;
    let coupled = selection.offset.is_empty() && !captures.is_empty();
    let clipped = captures.iter().any(|m| m.quality.clipped_samples > 0);
    let coarse = captures
        .iter()
        .any(|m| warns(m, WarningCode::CoarseQuantization));
    [
        (
            coupled,
            WarningCode::AcCoupled,
            "every capture is AC coupled, so nothing is said of dc_offset",
        ),
        (
            clipped,
            WarningCode::Clipped,
            "every capture clipped; its figures are lower bounds at best; take a wider range",
        ),
        (
            coarse,
            WarningCode::CoarseQuantization,
            "the noise lies below the converter's step, so noise_rms is a bound; take a finer range",
        ),
    ]
    .into_iter()
    .filter(|(holds, _, _)| *holds)
    .map(|(_, code, what)| code.warning(format!("{condition}: {what}")))
    .collect()
}

/// The values, in words, where they differ by more than a fraction.
fn differing(
    selections: &Selections<'_>,
    property: impl Fn(&Measurement) -> Option<f64>,
    fraction: f64,
) -> Option<String> {
    let values: Vec<(Condition, f64)> = selections
        .iter()
        .flat_map(|(condition, s)| s.alternating.iter().map(move |m| (*condition, *m)))
        .filter_map(|(condition, m)| property(m).map(|x| (condition, x)))
        .collect();
    let low = values.iter().map(|(_, x)| *x).min_by(f64::total_cmp)?;
    let high = values.iter().map(|(_, x)| *x).max_by(f64::total_cmp)?;
    if high - low <= fraction * high.abs().max(low.abs()) {
        return None;
    }
    let mut words: Vec<String> = Vec::new();
    for (condition, x) in values {
        let word = format!("{condition} {}", significant(x));
        if !words.contains(&word) {
            words.push(word);
        }
    }
    Some(words.join(", "))
}

/// A number with four significant digits.
fn significant(x: f64) -> String {
    let text = format!("{x:.3e}");
    match text.parse::<f64>() {
        Ok(rounded) if (1e-4..1e7).contains(&rounded.abs()) => rounded.to_string(),
        _ => text,
    }
}

//! Unlike conditions: which figures a difference of range, rate, coupling or probe spoils.

use super::selection::{Selection, is_ac_coupled, warns};
use crate::analysis::Measurement;
use crate::{Condition, Warning, WarningCode};
use std::collections::BTreeMap;

/// Warnings on what differs between the conditions, and notes on what has no warning code.
pub(super) fn find(selections: &BTreeMap<Condition, Selection<'_>>) -> (Vec<Warning>, Vec<String>) {
    let mut warnings = Vec::new();
    let mut notes = Vec::new();
    let mut warn = |code, message: String| warnings.push(Warning::new(code, message));

    if let Some(found) = differing(selections, |m| m.acquisition.full_scale_v, 0.01) {
        warn(
            WarningCode::RangeMismatch,
            format!(
                "ranges differ ({} V full scale): dc_offset, noise_rms, ac_rms and peak_to_peak hold \
                 each range's own offset, noise and step, so their excess over the baseline is \
                 spoiled; take the floor again on the range used",
                found
            ),
        );
    } else if let Some(found) = differing(selections, |m| m.quality.lsb, 0.1) {
        warn(
            WarningCode::RangeMismatch,
            format!(
                "the converter's steps differ ({found} V), as of different ranges: the excess of \
                 dc_offset, noise_rms, ac_rms and peak_to_peak over the baseline is spoiled; take \
                 the floor again on the range used"
            ),
        );
    }
    if let Some(found) = differing(selections, |m| m.acquisition.probe_factor, 0.01) {
        warn(
            WarningCode::RangeMismatch,
            format!(
                "probe settings differ ({found} to 1): noise_rms, ac_rms, peak_to_peak and dc_offset \
                 hold the instrument's floor times the probe's factor; take all conditions with one \
                 setting"
            ),
        );
    }
    if let Some(found) = differing(selections, |m| Some(m.sample_rate_hz), 1e-3) {
        warn(
            WarningCode::RateMismatch,
            format!(
                "sample rates differ ({found} Hz): ac_rms and peak_to_peak hold different bandwidths; \
                 hum_rms, harmonics and noise_rms are compared in the common band"
            ),
        );
    }
    let bands = differing(selections, |m| Some(m.noise.band_hz.1), 1e-3)
        .or_else(|| differing(selections, |m| Some(m.noise.band_hz.0), 1e-3));
    if let Some(found) = bands {
        warn(
            WarningCode::RateMismatch,
            format!(
                "noise bands differ ({found} Hz at one edge): noise_rms is not comparable; measure \
                 all captures in one band"
            ),
        );
    }
    let coupled: Vec<bool> = selections
        .values()
        .filter_map(|s| s.alternating.first().map(|m| is_ac_coupled(m)))
        .collect();
    if coupled.contains(&true) && coupled.contains(&false) {
        warn(
            WarningCode::CouplingMismatch,
            "AC and DC coupled captures are compared: the low harmonics, hum_rms, ac_rms and \
             peak_to_peak of the AC-coupled ones are lowered, and dc_offset comes from the others \
             alone; take all conditions DC coupled"
                .into(),
        );
    }
    for (condition, selection) in selections {
        if selection.offset.is_empty() && !selection.alternating.is_empty() {
            warn(
                WarningCode::AcCoupled,
                format!(
                    "{condition}: every capture is AC coupled, so nothing is said of dc_offset"
                ),
            );
        }
        if selection
            .alternating
            .iter()
            .any(|m| m.quality.clipped_samples > 0)
        {
            warn(
                WarningCode::Clipped,
                format!(
                    "{condition}: every capture clipped; its figures are lower bounds at best; take a \
                     wider range"
                ),
            );
        }
        if selection
            .alternating
            .iter()
            .any(|m| warns(m, WarningCode::CoarseQuantization))
        {
            warn(
                WarningCode::CoarseQuantization,
                format!(
                    "{condition}: the noise lies below the converter's step, so noise_rms is a bound; \
                     take a finer range"
                ),
            );
        }
    }
    if let Some(found) = differing(selections, |m| Some(m.duration_s), 0.1) {
        notes.push(format!(
            "Record lengths differ ({found} s): peak_to_peak grows with the length of a record."
        ));
    }
    (warnings, notes)
}

/// The values, in words, where they differ by more than a fraction.
fn differing(
    selections: &BTreeMap<Condition, Selection<'_>>,
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

//! The mains series: whether it is there, its frequency and its orders.

mod foreign;
mod not_detected;
mod sidebands;

use super::facts::ChannelFacts;
use crate::analysis::combination::{CombinedHarmonic, GRID_WALK, series_detected};
use crate::analysis::measurement::{Harmonic, Mains};
use crate::analysis::options::GRID_RANGE;
use crate::analysis::record::AliasedMains;
use crate::analysis::stream::RecordFit;
use crate::hum::Presence;
use crate::stats::{Estimate, LinePower};
use crate::{Warning, WarningCode};
use foreign::{cover_foreign, cover_left_out, cover_repeating, cover_steady, cover_unseen};
use not_detected::{OffNominal, not_detected};
use sidebands::{
    cover_beats, cover_modulation, modulation_warning, sidebands, sidebands_warning, with_sidebands,
};
use std::f64::consts::{PI, TAU};

/// Probability of a false detection of the mains in a record that holds none.
const SERIES_FALSE_ALARM: f64 = 0.01;
/// How many times the range that a series is looked for in it may be off, and be the one looked for.
const BEYOND: f64 = 1.1;
/// Probability that any harmonic is falsely called detected.
const HARMONIC_FALSE_ALARM: f64 = 0.01;
/// Mains cycles below which there are no harmonics, and below which the frequency rests on the nominal one.
const LEAST_CYCLES: f64 = 1.0;
const CYCLES_OF_FREQUENCY: f64 = 2.0;

/// The mains series with its frequency and orders.
pub(super) fn mains(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    warnings: &mut Vec<Warning>,
) -> Mains {
    let cycles = facts.duration_s() * fit.nominal_hz;
    let fitted = fit.orders > 0 && cycles >= LEAST_CYCLES && !fit.segments.is_empty();
    warn_of_limits(facts, fit, fitted, warnings);
    if !fitted {
        return Mains {
            nominal_hz: fit.nominal_hz,
            ..Mains::default()
        };
    }
    let combined = &fit.combined;
    let stands = series_stands(facts, fit);
    let detected = fit.decided && stands;
    // Powers at the input: the decimator's droop and a stated coupling corner divided out.
    let modulated = if detected {
        sidebands(fit, facts.duration_s())
    } else {
        Vec::new()
    };
    warnings.extend(sidebands_warning(&modulated));
    let at_input: Vec<LinePower> = (1..=combined.harmonics.len())
        .map(|order| {
            let gain = facts.coupled_gain(order as f64 * combined.frequency_hz);
            with_sidebands(fit, order, &modulated).divided(gain)
        })
        .collect();
    let (power, mut hum_rms) = whole_series(fit, &at_input, facts.options.confidence);
    let mut harmonics = harmonics(facts, fit, &at_input, detected);
    cover_foreign(fit, &mut harmonics, &mut hum_rms);
    cover_beats(
        fit,
        &modulated,
        facts.duration_s(),
        (&mut harmonics, &mut hum_rms),
    );
    if detected {
        cover_modulation(fit, &mut harmonics, &mut hum_rms);
        warnings.extend(modulation_warning(fit));
        cover_repeating(fit, &mut harmonics, &mut hum_rms);
    }
    if !combined.tracked {
        cover_steady(fit, &mut harmonics, &mut hum_rms);
    }
    if !detected {
        cover_unseen(facts, fit, &mut harmonics, &mut hum_rms);
        cover_left_out(fit, &mut harmonics, &mut hum_rms);
        hum_rms.low = 0.0;
        warnings.push(not_detected(facts, fit, stands, hum_rms.high));
    }
    let found_v2 = detected.then_some(power.observed_v2);
    if let Some(series) = OffNominal::among(facts, fit, found_v2) {
        series.cover(&mut harmonics, &mut hum_rms);
        warnings.push(series.warning());
    }
    let thd_percent = harmonics.first().filter(|h| h.detected).map(|fundamental| {
        let others: f64 = at_input[1..]
            .iter()
            .map(|p| (p.observed_v2 - p.noise_v2).max(0.0))
            .sum();
        100.0 * others.sqrt() / fundamental.rms.value
    });
    Mains {
        nominal_hz: fit.nominal_hz,
        detected,
        frequency_hz: detected.then(|| frequency(facts, fit, facts.options.confidence)),
        hum_rms: Some(hum_rms),
        thd_percent,
        harmonics,
        power,
    }
}

/// Says what rate and length of the record keep from being told.
fn warn_of_limits(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    fitted: bool,
    warnings: &mut Vec<Warning>,
) {
    let cycles = facts.duration_s() * fit.nominal_hz;
    if cycles < LEAST_CYCLES {
        warnings.push(WarningCode::ShortRecord.warning(format!(
                "the record holds {cycles:.2} mains cycles; at least one is needed for harmonics, two for the frequency"
            ),
        ));
        return;
    }
    let aliased = facts.aliased();
    warnings.extend(aliased.iter().map(AliasedMains::warning));
    if !fitted {
        if aliased.is_empty() {
            warnings.push(WarningCode::MainsNotDetected.warning(
                "the sample rate leaves no mains harmonic well below half of it; capture at a \
                 higher rate",
            ));
        }
    } else if cycles < CYCLES_OF_FREQUENCY {
        warnings.push(WarningCode::ShortRecord.warning(format!(
                "the record holds {cycles:.2} mains cycles; below two the frequency rests on the nominal {} Hz +/- 1 %: \
                 capture a longer record",
                fit.nominal_hz
            ),
        ));
    }
}

/// Whether there is a series, whatever its nominal frequency.
fn series_stands(facts: &ChannelFacts<'_>, fit: &RecordFit) -> bool {
    let combined = &fit.combined;
    let powers: Vec<LinePower> = combined.harmonics.iter().map(|h| h.power).collect();
    let stands = match &fit.presence {
        Presence::Present(_) => true,
        Presence::Absent { plain: false } => false,
        Presence::Absent { plain: true } if is_beyond_grid(fit) => false,
        Presence::Absent { plain: true } | Presence::Unseen => series_detected(
            &powers,
            facts.duration_s(),
            fit.nominal_hz,
            SERIES_FALSE_ALARM,
        ),
    };
    // Below that, and where no frequency stands in the band, there is a sum of roundings and no hum.
    let carried = (0.0..0.5 * facts.rate_hz()).contains(&combined.frequency_hz);
    stands && carried && powers.iter().any(|p| facts.is_real(p))
}

/// Whether a series was followed to where it was not looked for: an order of it stands by chance where a grid's would.
fn is_beyond_grid(fit: &RecordFit) -> bool {
    let combined = &fit.combined;
    let reach_hz = BEYOND * GRID_RANGE * fit.nominal_hz;
    let deviation_hz = combined.frequency_variance.sqrt();
    (combined.frequency_hz - fit.nominal_hz).abs() > reach_hz + DISAGREE * deviation_hz
}

/// Power and RMS of all orders together, at the input as they are.
fn whole_series(fit: &RecordFit, at_input: &[LinePower], confidence: f64) -> (LinePower, Estimate) {
    let total = LinePower::sum(at_input.iter());
    let Some(bounded) = &fit.interval else {
        return (total, total.rms(confidence));
    };
    let orders = &fit.combined.harmonics;
    let seen: f64 = orders.iter().map(|h| h.power.observed_v2).sum();
    let gain = (seen / total.observed_v2.max(f64::MIN_POSITIVE)).sqrt();
    let gain = if gain > 0.0 { gain } else { 1.0 };
    (
        bounded.power(gain, confidence),
        bounded.hum_rms(gain, confidence),
    )
}

fn harmonics(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    at_input: &[LinePower],
    detected: bool,
) -> Vec<Harmonic> {
    let single = HARMONIC_FALSE_ALARM / fit.orders as f64;
    let raised = raised_where_faint(leading_order(fit));
    fit.combined
        .harmonics
        .iter()
        .zip(at_input)
        .enumerate()
        .map(|(i, (h, power))| {
            let order = i + 1;
            let own = detected && facts.is_real(power) && power.chance() < single;
            let mut rms = power.rms(facts.options.confidence);
            if !own && rms.low > 0.0 {
                // Chosen as the best of many places: not resolved by the family-wise test.
                rms.low = 0.0;
            }
            Harmonic {
                order,
                rms,
                // Of a series that is not seen neither frequency nor turn is known.
                phase_deg: detected
                    .then(|| phase(facts, h, order, fit.combined.frequency_hz, raised))
                    .flatten(),
                detected: own,
                power: *power,
            }
        })
        .collect()
}

/// The mean frequency, the sample rate's own uncertainty within it.
fn frequency(facts: &ChannelFacts<'_>, fit: &RecordFit, confidence: f64) -> Estimate {
    let rate_share = facts.header.time_base.sample_rate_uncertainty_hz / facts.rate_hz();
    let (value, own) = mean_frequency(facts, fit);
    let of_rate = (rate_share * fit.combined.frequency_hz).powi(2);
    let variance = own + fit.combined.orders_apart + of_rate;
    let leading = leading_order(fit);
    let deviation = variance.sqrt() * raised_where_faint(leading);
    let dof = leading.map_or(f64::INFINITY, |(_, dof)| dof);
    Estimate::student(value, deviation, dof, confidence)
}

/// Deviations by which the two ways to the mean frequency may differ.
const DISAGREE: f64 = 3.0;

/// The mean frequency and its variance: from the common phase where single segments tell it, or nothing but noise is beside
/// the hum; else from the lines of the whole record.
fn mean_frequency(facts: &ChannelFacts<'_>, fit: &RecordFit) -> (f64, f64) {
    let combined = &fit.combined;
    let whole = fit.stretches == 1;
    match &fit.presence {
        // Of a record of several stretches the look is that of the first.
        Presence::Present(seen) if whole && !seen.plain && !combined.tracked => {
            let apart = GRID_WALK * GRID_WALK * facts.duration_s() / (8.0 * PI.powi(2));
            let own = seen.uncertainty_hz.powi(2) + apart;
            let miss = (combined.frequency_hz - seen.fundamental_hz).powi(2);
            if !combined.followed {
                (seen.fundamental_hz, own)
            } else if miss > DISAGREE * DISAGREE * (own + combined.frequency_variance) {
                (seen.fundamental_hz, own + miss / (DISAGREE * DISAGREE))
            } else {
                (combined.frequency_hz, combined.frequency_variance)
            }
        }
        _ => (combined.frequency_hz, combined.frequency_variance),
    }
}

/// The order that tells most of the frequency: its |c|² over a component's variance, and the degrees of freedom of the noise
/// beside it.
fn leading_order(fit: &RecordFit) -> Option<(f64, f64)> {
    let ratio = |h: &CombinedHarmonic| h.amplitude.norm_sqr() / h.variance.max(f64::MIN_POSITIVE);
    let orders = fit.combined.harmonics.iter().zip(&fit.noise).enumerate();
    orders
        .map(|(i, (h, noise))| (((i + 1) as f64).powi(2) * ratio(h), (ratio(h), noise.dof)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, leading)| leading)
}

/// |c|² over a component's variance at which a frequency scatters twice as much as the curvature at its likelihood's peak says, from
/// there on ever less: of the records in which the hum is just seen, those are seen in which noise adds to it, and draws the peak to where it
/// does (200 records of ten cycles just above the threshold: 0.84 held without).
const FAINT: f64 = 9.0;

/// What the deviations of frequency and phases are raised by where the hum is just seen.
fn raised_where_faint(leading: Option<(f64, f64)>) -> f64 {
    leading.map_or(1.0, |(ratio, _)| 1.0 + FAINT / ratio.max(FAINT))
}

fn phase(
    facts: &ChannelFacts<'_>,
    harmonic: &CombinedHarmonic,
    order: usize,
    fundamental_hz: f64,
    raised: f64,
) -> Option<Estimate> {
    let frequency = order as f64 * fundamental_hz;
    // From the stream's first sample back to the record's; a coupling corner leads by atan(fc/f).
    let lead = facts
        .ac_corner_hz()
        .map_or(0.0, |corner| (corner / frequency).atan());
    let radians = harmonic.amplitude.arg() - TAU * frequency * facts.first_at_s - lead;
    let u = harmonic.phase_variance.sqrt() * raised;
    if !(u < 1.0) {
        return None;
    }
    let degrees = (radians.to_degrees() + 180.0).rem_euclid(360.0) - 180.0;
    Some(Estimate::student(
        degrees,
        u.to_degrees(),
        harmonic.power.noise_dof,
        facts.options.confidence,
    ))
}

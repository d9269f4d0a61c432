//! From bounds to a plan.

use super::PlanOptions;
use super::bounds::{detectable_ratio, quantisation_density, quantised_mean_bias};
use super::text::duration;
use crate::Error;
use crate::report::{si, si_short};
use crate::stats::normal_quantile;
use serde::Serialize;

/// Record length, rate and range, with the reasons.
///
/// Its `Display` is the text for a terminal.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Plan {
    /// Hum RMS, offset and added noise that this plan resolves, V.
    pub resolve_v: f64,
    /// Nominal mains frequency, Hz.
    pub mains_hz: f64,
    /// Length of each record, s.
    pub record_s: f64,
    /// Rate of sampling, Hz.
    pub sample_rate_hz: f64,
    /// Frames of each record.
    pub frames: u64,
    /// Captures a condition.
    pub captures: u32,
    /// One-sided noise density the plan rests on, V/√Hz; `None` where nothing is known of it.
    pub noise_density_v_per_rthz: Option<f64>,
    /// Range advice.
    pub range: RangeAdvice,
    /// What each part needs, and why.
    pub steps: Vec<PlanStep>,
    /// What stands in the way, or was assumed.
    pub notes: Vec<String>,
}

/// What one part of the plan needs, and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct PlanStep {
    /// `hum`, `offset`, `noise`, `cycles`, `rate`, `captures`.
    pub name: String,
    /// What it needs.
    pub value: f64,
    /// Its unit.
    pub unit: String,
    /// Why.
    pub reason: String,
}

/// Which range to take the captures on.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct RangeAdvice {
    /// Offset and peak hum that the range has to hold, V.
    pub needed_v: f64,
    /// The range that is planned with, plus or minus V, where one is given.
    pub full_scale_v: Option<f64>,
    /// Its converter step, V, where the bits are given too.
    pub lsb_v: Option<f64>,
    /// Largest error of a mean through that step, V.
    pub step_error_v: Option<f64>,
    /// Whether one range serves offset and hum alike.
    pub one_range_serves: Option<bool>,
    /// The advice in words.
    pub advice: String,
}

/// Ground potential differences within a building reach hundreds of millivolts: common practice,
/// no source.
const USUAL_OFFSET_V: f64 = 0.2;
/// Peak of a mains-locked waveform with pulses over its RMS: common practice, no source.
const PEAK_OVER_RMS: f64 = 4.0;
const FALSE_ALARM: f64 = 0.01;
const LONGEST_RECORD_S: f64 = 3600.0;
const WINDOW_S: f64 = 0.2;
const CAPTURES: u32 = 5;

/// Record length, rate and range needed to resolve a given hum, offset and noise.
///
/// A line of amplitude A over the one-sided noise density S, recorded for T, has a standard
/// deviation of S/√T (Cramér-Rao bound in density form, from Rife & Boorstyn, IEEE Trans. Inf.
/// Theory 20(5), 1974); a mean has S/√(2T); noise power in a band B has 2BT degrees of freedom.
///
/// # Errors
/// `BadOption` where a setting is out of range.
pub fn plan(options: &PlanOptions) -> Result<Plan, Error> {
    options.check()?;
    let mut notes = Vec::new();
    let sample_rate_hz = rate(options);
    let lsb_v = match (options.full_scale_v, options.bits) {
        (Some(full_scale), Some(bits)) => Some(2.0 * full_scale / f64::from(bits).exp2()),
        _ => None,
    };
    let density = noise_density(options, lsb_v, sample_rate_hz, &mut notes);
    let mut steps = lengths(options, density, &mut notes);
    let longest = steps
        .iter()
        .filter(|step| step.value <= LONGEST_RECORD_S)
        .map(|step| step.value)
        .fold(0.0, f64::max);
    let record_s = (longest / WINDOW_S - 1e-9).ceil() * WINDOW_S;
    if let Some(density) = density {
        steps.push(noise_step(options, density, sample_rate_hz, record_s));
    }
    for step in steps.iter().filter(|step| step.name != "noise") {
        if step.value > LONGEST_RECORD_S {
            notes.push(format!(
                "The {} alone would need {}; no single record of this plan reaches that. Lower the noise (finer range, shorter lead, band limit) or ask for less.",
                step.name,
                duration(step.value)
            ));
        }
    }
    steps.extend(other_steps(options, sample_rate_hz));
    let range = range_advice(options, lsb_v, sample_rate_hz);
    Ok(Plan {
        resolve_v: options.resolve_v,
        mains_hz: options.mains_hz,
        record_s,
        sample_rate_hz,
        frames: (record_s * sample_rate_hz).round() as u64,
        captures: CAPTURES,
        noise_density_v_per_rthz: density,
        range,
        steps,
        notes,
    })
}

fn top_frequency(options: &PlanOptions) -> f64 {
    let series = options.mains_hz * 1.01 * options.harmonics as f64;
    series.max(options.band_high_hz.unwrap_or(0.0))
}

/// 2.5 times the highest frequency of interest, rounded up within 1, 2, 5.
fn rate(options: &PlanOptions) -> f64 {
    let least = 2.5 * top_frequency(options);
    let decade = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|step| step * decade)
        .find(|rate| *rate >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

fn noise_density(
    options: &PlanOptions,
    lsb_v: Option<f64>,
    sample_rate_hz: f64,
    notes: &mut Vec<String>,
) -> Option<f64> {
    let rounding = lsb_v.map(|lsb| quantisation_density(lsb, sample_rate_hz));
    match (options.noise_density_v_per_rthz, rounding) {
        (Some(analog), Some(rounding)) => Some(analog.hypot(rounding)),
        (Some(analog), None) => Some(analog),
        (None, Some(rounding)) => {
            notes.push("No noise density is given: the plan counts the converter's rounding alone, which is the best case. Take a baseline capture, measure it and plan again with its density.".into());
            Some(rounding)
        }
        (None, None) => {
            notes.push(format!(
                "No noise density is given, so the record lengths cannot be worked out: {} of hum is found in {} only where the density stays below {}. Take a baseline capture, measure it and plan again with its density.",
                si(options.resolve_v, "V", 3),
                si_short(WINDOW_S, "s"),
                si(
                    std::f64::consts::SQRT_2 * options.resolve_v * WINDOW_S.sqrt()
                        / line_ratio(options),
                    "V/√Hz",
                    2
                )
            ));
            None
        }
    }
}

/// Amplitude over its standard deviation at which one line among all orders is found.
fn line_ratio(options: &PlanOptions) -> f64 {
    let family = 1.0 - (1.0 - FALSE_ALARM).powf(1.0 / options.harmonics as f64);
    detectable_ratio(family, options.confidence)
}

fn lengths(options: &PlanOptions, density: Option<f64>, notes: &mut Vec<String>) -> Vec<PlanStep> {
    let wanted = options.resolve_v;
    let level = percent(options.confidence);
    let cycles = (WINDOW_S * options.mains_hz).round();
    let mut steps = vec![step(
        "cycles",
        WINDOW_S,
        "s",
        format!(
            "{cycles} cycles of the mains: one analysis window of IEC 61000-4-7, and enough for the frequency to be found from the record itself (two cycles are the least)"
        ),
    )];
    let Some(density) = density else {
        return steps;
    };
    let ratio = line_ratio(options);
    let hum_s = (ratio * density / (std::f64::consts::SQRT_2 * wanted)).powi(2);
    steps.push(step(
        "hum",
        hum_s,
        "s",
        format!(
            "a line of {} RMS is found in {level} of records at a false-alarm probability of 1 % over {} orders: its amplitude has to be {ratio:.2} standard deviations, and one is {}/√T",
            si(wanted, "V", 3),
            options.harmonics,
            si(density, "V/√Hz", 3)
        ),
    ));
    let z = two_sided(options.confidence);
    steps.push(step(
        "offset",
        0.5 * (z * density / wanted).powi(2),
        "s",
        format!(
            "the {level} interval of the offset is no wider than ±{}: its standard deviation is {}/√(2T) for white noise",
            si(wanted, "V", 3),
            si(density, "V/√Hz", 3)
        ),
    ));
    notes.push("The length for the offset holds for white noise. Drift and 1/f noise add to it and do not fall with a longer record: only repeated captures show them.".into());
    steps
}

/// What added noise of the wanted size would need, and what the planned record tells of it.
fn noise_step(options: &PlanOptions, density: f64, sample_rate_hz: f64, record_s: f64) -> PlanStep {
    let band = 0.5 * sample_rate_hz;
    let both = two_sided(options.confidence) + one_sided(options.confidence);
    let power_ratio = (options.resolve_v / density).powi(2) / band;
    let seen = density * (band * both).sqrt() * (2.0 / (band * record_s)).powf(0.25);
    step(
        "noise",
        2.0 * (both / power_ratio).powi(2) / band,
        "s",
        format!(
            "{} RMS of noise added to a floor of {} RMS in {} would be told from it in {} of records of this length: noise power has 2BT degrees of freedom. It is not counted in the plan, whose record tells {} RMS of added noise",
            si(options.resolve_v, "V", 3),
            si(density * band.sqrt(), "V", 3),
            si_short(band, "Hz"),
            percent(options.confidence),
            si(seen, "V", 2)
        ),
    )
}

fn other_steps(options: &PlanOptions, sample_rate_hz: f64) -> Vec<PlanStep> {
    vec![
        step(
            "rate",
            sample_rate_hz,
            "Hz",
            format!(
                "2.5 times {}, the highest frequency of interest, rounded up. What lies above half the rate folds back: without an anti-alias filter take the highest rate the memory allows",
                si(top_frequency(options), "Hz", 3)
            ),
        ),
        step(
            "captures",
            f64::from(CAPTURES),
            "captures",
            "of each condition: the spread between captures is the uncertainty that counts, and Student's factor at 95 % falls from 12.7 with two captures to 2.8 with five".into(),
        ),
    ]
}

fn range_advice(options: &PlanOptions, lsb_v: Option<f64>, sample_rate_hz: f64) -> RangeAdvice {
    let wanted = options.resolve_v;
    let offset = options.offset_v.map_or(USUAL_OFFSET_V, f64::abs);
    let hum = options.hum_v.unwrap_or(10.0 * wanted);
    let needed_v = offset + PEAK_OVER_RMS * hum;
    let sigma_v = options
        .noise_density_v_per_rthz
        .map_or(0.0, |analog| analog * (0.5 * sample_rate_hz).sqrt());
    let step_error = |lsb: f64| lsb * quantised_mean_bias(sigma_v / lsb);
    let serves = |lsb: f64| step_error(lsb) <= 0.5 * wanted;
    let foresee = match options.offset_v {
        Some(_) => format!(
            "The range has to hold the offset of {} and the hum's peaks: ±{} at least.",
            si(offset, "V", 3),
            si(needed_v, "V", 3)
        ),
        None => format!(
            "The range has to hold the offset too, which is usually far larger than the hum: with {} between the grounds (common practice within one building, no source) and the hum's peaks ±{} at least. Read the offset once before choosing.",
            si(offset, "V", 2),
            si(needed_v, "V", 3)
        ),
    };
    let holds = options
        .full_scale_v
        .map(|full_scale| full_scale >= needed_v);
    let fine = lsb_v.map(serves);
    let one_range_serves = match (holds, fine) {
        (Some(holds), Some(fine)) => Some(holds && fine),
        (Some(false), None) => Some(false),
        _ => None,
    };
    let two_captures = "Take two kinds of capture of each condition: DC coupled on a range that holds the offset, for the offset alone; and AC coupled (or with the offset nulled) on the finest range that does not clip, for hum and noise. After switching to AC wait for the coupling to settle: ln(1000)/(2π·corner), 1.1 s at 1 Hz, to 0.1 %.";
    let verdict = match (options.full_scale_v, holds, lsb_v, fine) {
        (Some(full_scale), Some(false), _, Some(true)) => format!(
            "±{} is too small for that and will clip. {two_captures}",
            si_short(full_scale, "V")
        ),
        (Some(full_scale), Some(false), _, None) => {
            format!(
                "±{} is too small for that and will clip. {two_captures}",
                si_short(full_scale, "V")
            )
        }
        (Some(full_scale), Some(true), Some(lsb), Some(true)) => format!(
            "±{} holds it, and its step of {} errs by {} at most: one range serves offset, hum and noise.",
            si_short(full_scale, "V"),
            si(lsb, "V", 3),
            si(step_error(lsb), "V", 2)
        ),
        (Some(full_scale), Some(holds), Some(lsb), Some(false)) => format!(
            "±{} {} its step of {} may err by {}, more than half of what is to be resolved{}. {two_captures}",
            si_short(full_scale, "V"),
            if holds {
                "holds it, but"
            } else {
                "is too small for that and will clip, and"
            },
            si(lsb, "V", 3),
            si(step_error(lsb), "V", 2),
            if sigma_v < 0.5 * lsb {
                ", because the noise is below half a step and does not average the steps out"
            } else {
                ""
            }
        ),
        (Some(full_scale), Some(true), None, _) => format!(
            "±{} holds it; give the bits too and the converter's step is judged.",
            si_short(full_scale, "V")
        ),
        _ => {
            let steps: Vec<String> = [8_u32, 10, 12, 14, 16]
                .into_iter()
                .map(|bits| {
                    let lsb = 2.0 * needed_v / f64::from(bits).exp2();
                    let words = if serves(lsb) {
                        "fine enough"
                    } else {
                        "too coarse"
                    };
                    format!("{bits} bits {} ({words})", si(lsb, "V", 2))
                })
                .collect();
            format!(
                "Steps of the converter on such a range: {}. Where the step is too coarse: {two_captures}",
                steps.join(", ")
            )
        }
    };
    RangeAdvice {
        needed_v,
        full_scale_v: options.full_scale_v,
        lsb_v,
        step_error_v: lsb_v.map(step_error),
        one_range_serves,
        advice: format!("{foresee} {verdict}"),
    }
}

fn step(name: &str, value: f64, unit: &str, reason: String) -> PlanStep {
    PlanStep {
        name: name.into(),
        value,
        unit: unit.into(),
        reason,
    }
}

fn two_sided(confidence: f64) -> f64 {
    one_sided(0.5 * (1.0 + confidence))
}

fn one_sided(confidence: f64) -> f64 {
    normal_quantile(confidence)
}

fn percent(confidence: f64) -> String {
    si_short(100.0 * confidence, "%")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use approx::assert_relative_eq;

    /// Reference L2: S = 1 µV/√Hz, A = 1 mV, T = 1 s gives sd(A) = 1 µV.
    #[test]
    fn the_hum_length_meets_the_density_form_of_the_bound() {
        let options = PlanOptions {
            noise_density_v_per_rthz: Some(1e-6),
            harmonics: 1,
            ..PlanOptions::resolving(1e-6)
        };
        let plan = plan(&options).unwrap();
        let hum = plan.steps.iter().find(|step| step.name == "hum").unwrap();
        let standard_deviation = 1e-6 / hum.value.sqrt();
        let amplitude = std::f64::consts::SQRT_2 * 1e-6;
        assert_relative_eq!(
            amplitude / standard_deviation,
            detectable_ratio(0.01, 0.95),
            max_relative = 1e-9
        );
        assert!(plan.record_s >= hum.value);
    }

    #[test]
    fn a_finer_wish_needs_a_longer_record() {
        let length = |resolve_v| {
            let options = PlanOptions {
                noise_density_v_per_rthz: Some(2e-6),
                ..PlanOptions::resolving(resolve_v)
            };
            plan(&options).unwrap().record_s
        };
        assert!(length(5e-6) < length(2e-6));
        assert_relative_eq!(length(1e-3), WINDOW_S, max_relative = 1e-9);
    }

    #[test]
    fn a_coarse_step_asks_for_two_kinds_of_capture() {
        let options = PlanOptions {
            full_scale_v: Some(1.0),
            bits: Some(8),
            offset_v: Some(0.3),
            ..PlanOptions::resolving(100e-6)
        };
        let advice = plan(&options).unwrap().range;
        assert_eq!(advice.one_range_serves, Some(false));
        assert!(advice.advice.contains("two kinds of capture"));
        let fine = PlanOptions {
            bits: Some(16),
            ..options
        };
        assert_eq!(plan(&fine).unwrap().range.one_range_serves, Some(true));
    }

    #[test]
    fn the_text_keeps_to_80_columns() {
        let text = plan(&PlanOptions::resolving(100e-6)).unwrap().to_string();
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
    }

    #[test]
    fn settings_out_of_range_are_told() {
        for options in [
            PlanOptions::resolving(0.0),
            PlanOptions {
                bits: Some(0),
                ..PlanOptions::resolving(1.0)
            },
            PlanOptions {
                confidence: 1.0,
                ..PlanOptions::resolving(1.0)
            },
            PlanOptions {
                harmonics: 0,
                ..PlanOptions::resolving(1.0)
            },
        ] {
            assert!(plan(&options).is_err());
        }
    }
}

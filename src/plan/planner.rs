//! From bounds to a plan.

use super::bounds::{detectable_ratio, quantisation_density};
use super::options::PlanOptions;
use super::range::range_advice;
use super::result::{Plan, PlanStep};
use super::text::{BENCH_S, duration};
use crate::Error;
use crate::si::{self, percent};
use crate::stats::normal_quantile;

const FALSE_ALARM: f64 = 0.01;
const LONGEST_RECORD_S: f64 = 3600.0;
const WINDOW_S: f64 = 0.2;
const CAPTURES: u32 = 5;

/// Record length, rate and range needed to resolve a given hum, offset and noise: the length for hum and offset, at least
/// 0.2 s and a multiple of it, at most an hour; what noise would need is told, not planned.
///
/// A line of amplitude A over the one-sided noise density S, recorded for T, has a standard
/// deviation of S/√T (Cramér-Rao bound in density form, from Rife & Boorstyn, IEEE Trans. Inf.
/// Theory 20(5), 1974); a mean has S/√(2T); noise power in a band B has 2BT degrees of freedom. A line is found by its
/// noncentral chi-square distribution (Rice, Bell System Technical Journal 23/24, 1944/45), a step's error is that of
/// Widrow and Kollár, Quantization Noise, 2008, its noise that of Bennett, Bell System Technical Journal 27, 1948.
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
    if let Some(density) = density {
        let long = |step: &&PlanStep| step.name != "noise" && step.value > LONGEST_RECORD_S;
        notes.extend(
            steps
                .iter()
                .filter(long)
                .map(|step| out_of_reach(options, step, density)),
        );
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
                si::rounded(options.resolve_v, "V", 3),
                si::shortest(WINDOW_S, "s"),
                si::rounded(
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
    let mut steps = vec![step("cycles", WINDOW_S, "s").because(format!(
        "{cycles} cycles of the mains: one analysis window of IEC 61000-4-7, and enough for the frequency to be found from the record itself (two cycles are the least)"
    ))];
    let Some(density) = density else {
        return steps;
    };
    let ratio = line_ratio(options);
    let hum_s = (ratio * density / (std::f64::consts::SQRT_2 * wanted)).powi(2);
    steps.push(step("hum", hum_s, "s").because(format!(
        "a line of {} RMS is found in {level} of records at a false-alarm probability of 1 % over {} orders: its amplitude has to be {ratio:.2} standard deviations, and one is {}/√T",
        si::rounded(wanted, "V", 3),
        options.harmonics,
        si::rounded(density, "V/√Hz", 3)
    )));
    let z = two_sided(options.confidence);
    steps.push(step("offset", 0.5 * (z * density / wanted).powi(2), "s").because(format!(
        "the {level} interval of the offset is no wider than ±{}: its standard deviation is {}/√(2T) for white noise",
        si::rounded(wanted, "V", 3),
        si::rounded(density, "V/√Hz", 3)
    )));
    notes.push("The length for the offset holds for white noise. Drift and 1/f noise add to it and do not fall with a longer record: only repeated captures show them.".into());
    steps
}

/// What added noise of the wanted size would need, and what the planned record tells of it.
fn noise_step(options: &PlanOptions, density: f64, sample_rate_hz: f64, record_s: f64) -> PlanStep {
    let band = 0.5 * sample_rate_hz;
    let both = two_sided(options.confidence) + one_sided(options.confidence);
    let power_ratio = (options.resolve_v / density).powi(2) / band;
    let seen = density * (band * both).sqrt() * (2.0 / (band * record_s)).powf(0.25);
    let needed_s = 2.0 * (both / power_ratio).powi(2) / band;
    let length = if needed_s < BENCH_S {
        "of this length"
    } else {
        "far longer than a bench takes"
    };
    step("noise", needed_s, "s").because(format!(
        "{} RMS of noise added to a floor of {} RMS in {} would be told from it in {} of records {length}: noise power has 2BT degrees of freedom. It is not counted in the plan, whose record tells {} RMS of added noise",
        si::rounded(options.resolve_v, "V", 3),
        si::rounded(density * band.sqrt(), "V", 3),
        si::shortest(band, "Hz"),
        percent(options.confidence),
        si::rounded(seen, "V", 2)
    ))
}

/// That a part cannot be had of one record, what limits it and what would do: its bound falls with the root of the
/// length and in proportion to the density.
fn out_of_reach(options: &PlanOptions, step: &PlanStep, density: f64) -> String {
    let short = (step.value / LONGEST_RECORD_S).sqrt();
    let needs = if step.value < BENCH_S {
        format!(
            "would need {}, longer than the longest record of this plan",
            duration(step.value)
        )
    } else {
        "cannot be had of any record that a bench takes".into()
    };
    format!(
        "The {} of {} {needs}: noise of {} limits it. A record of {} resolves {}; the aim asks for a density of {} at most (finer range, shorter lead, a band limit before the converter, an amplifier of lower noise), or for less to be resolved.",
        step.name,
        si::rounded(options.resolve_v, "V", 3),
        si::rounded(density, "V/√Hz", 3),
        duration(LONGEST_RECORD_S),
        si::rounded(options.resolve_v * short, "V", 2),
        si::rounded(density / short, "V/√Hz", 2),
    )
}

fn other_steps(options: &PlanOptions, sample_rate_hz: f64) -> Vec<PlanStep> {
    vec![
        step("rate", sample_rate_hz, "Hz").because(format!(
            "2.5 times {}, the highest frequency of interest, rounded up. What lies above half the rate folds back: without an anti-alias filter take the highest rate the memory allows",
            si::rounded(top_frequency(options), "Hz", 3)
        )),
        step("captures", f64::from(CAPTURES), "captures").because(
            "of each condition: the spread between captures is the uncertainty that counts, and Student's factor at 95 % falls from 12.7 with two captures to 2.8 with five".into(),
        ),
    ]
}

fn step(name: &str, value: f64, unit: &str) -> PlanStep {
    PlanStep {
        name: name.into(),
        value,
        unit: unit.into(),
        reason: String::new(),
    }
}

impl PlanStep {
    fn because(self, reason: String) -> Self {
        Self { reason, ..self }
    }
}

fn two_sided(confidence: f64) -> f64 {
    one_sided(0.5 * (1.0 + confidence))
}

fn one_sided(confidence: f64) -> f64 {
    normal_quantile(confidence)
}

#[cfg(test)]
mod tests {
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

    /// By the density form of the Cramér-Rao bound (Rife & Boorstyn 1974) the amplitude that is found falls with the root
    /// of the record's length: what the note names is what an hour resolves.
    #[test]
    fn what_no_bench_reaches_is_told_with_what_would_do() {
        let wanting = |resolve_v| PlanOptions {
            noise_density_v_per_rthz: Some(1e-6),
            ..PlanOptions::resolving(resolve_v)
        };
        let text = plan(&wanting(1e-12)).unwrap().to_string();
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(!flat.contains("days"), "{flat}");
        assert!(
            flat.contains("The hum of 1.00 pV cannot be had of any record"),
            "{flat}"
        );
        let hour_v = line_ratio(&wanting(1.0)) * 1e-6 / (2.0 * 3600.0_f64).sqrt();
        let told = format!("resolves {}", si::rounded(hour_v, "V", 2));
        assert!(flat.contains(&told), "no {told}: {flat}");
        let record = plan(&wanting(1.001 * hour_v)).unwrap().record_s;
        assert!((3590.0..=3600.0).contains(&record), "{record}");
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

//! Which range to take the captures on.

use super::bounds::quantised_mean_bias;
use super::options::PlanOptions;
use super::result::RangeAdvice;
use crate::si;

/// Ground potential differences within a building reach hundreds of millivolts: common practice,
/// no source.
const USUAL_OFFSET_V: f64 = 0.2;
/// Peak of a mains-locked waveform with pulses over its RMS: common practice, no source.
const PEAK_OVER_RMS: f64 = 4.0;
/// Hum to be expected over what is to be resolved, where it is not stated: common practice, no source.
const USUAL_HUM: f64 = 10.0;
/// Part of what is to be resolved that the converter's step may err by.
const STEP_SHARE: f64 = 0.5;
/// Bits of the converters that are usual.
const USUAL_BITS: [u32; 5] = [8, 10, 12, 14, 16];

const TWO_CAPTURES: &str = "Take two kinds of capture of each condition: DC coupled on a range that holds the offset, for the offset alone; and AC coupled (or with the offset nulled) on the finest range that does not clip, for hum and noise. After switching to AC wait for the coupling to settle: ln(1000)/(2π·corner), 1.1 s at 1 Hz, to 0.1 %.";

/// The converter's step held against what is to be resolved.
struct Steps {
    wanted_v: f64,
    /// Noise over the whole band.
    sigma_v: f64,
}

impl Steps {
    /// Largest error of a mean through steps of this size.
    fn error_v(&self, lsb_v: f64) -> f64 {
        lsb_v * quantised_mean_bias(self.sigma_v / lsb_v)
    }

    fn serve(&self, lsb_v: f64) -> bool {
        self.error_v(lsb_v) <= STEP_SHARE * self.wanted_v
    }
}

pub(super) fn range_advice(
    options: &PlanOptions,
    lsb_v: Option<f64>,
    sample_rate_hz: f64,
) -> RangeAdvice {
    let offset = options.offset_v.map_or(USUAL_OFFSET_V, f64::abs);
    let hum = options.hum_v.unwrap_or(USUAL_HUM * options.resolve_v);
    let needed_v = offset + PEAK_OVER_RMS * hum;
    let steps = Steps {
        wanted_v: options.resolve_v,
        sigma_v: options
            .noise_density_v_per_rthz
            .map_or(0.0, |analog| analog * (0.5 * sample_rate_hz).sqrt()),
    };
    let foresee = match options.offset_v {
        Some(_) => format!(
            "The range has to hold the offset of {} and the hum's peaks: ±{} at least.",
            si::rounded(offset, "V", 3),
            si::rounded(needed_v, "V", 3)
        ),
        None => format!(
            "The range has to hold the offset too, which is usually far larger than the hum: with {} between the grounds (common practice within one building, no source) and the hum's peaks ±{} at least. Read the offset once before choosing.",
            si::rounded(offset, "V", 2),
            si::rounded(needed_v, "V", 3)
        ),
    };
    let holds = options
        .full_scale_v
        .map(|full_scale| full_scale >= needed_v);
    let fine = lsb_v.map(|lsb| steps.serve(lsb));
    let one_range_serves = match (holds, fine) {
        (Some(holds), Some(fine)) => Some(holds && fine),
        (Some(false), None) => Some(false),
        _ => None,
    };
    let verdict = match options.full_scale_v {
        Some(full_scale) => of_range(full_scale, full_scale >= needed_v, lsb_v, &steps),
        None => of_usual_converters(needed_v, &steps),
    };
    RangeAdvice {
        needed_v,
        full_scale_v: options.full_scale_v,
        lsb_v,
        step_error_v: lsb_v.map(|lsb| steps.error_v(lsb)),
        one_range_serves,
        advice: format!("{foresee} {verdict}"),
    }
}

/// Whether a range and its step will do.
fn of_range(full_scale_v: f64, holds: bool, lsb_v: Option<f64>, steps: &Steps) -> String {
    let range = si::shortest(full_scale_v, "V");
    match (holds, lsb_v) {
        (_, Some(lsb)) if !steps.serve(lsb) => format!(
            "±{range} {} its step of {} may err by {}, more than half of what is to be resolved{}. {TWO_CAPTURES}",
            if holds {
                "holds it, but"
            } else {
                "is too small for that and will clip, and"
            },
            si::rounded(lsb, "V", 3),
            si::rounded(steps.error_v(lsb), "V", 2),
            if steps.sigma_v < 0.5 * lsb {
                ", because the noise is below half a step and does not average the steps out"
            } else {
                ""
            }
        ),
        (false, _) => format!("±{range} is too small for that and will clip. {TWO_CAPTURES}"),
        (true, Some(lsb)) => format!(
            "±{range} holds it, and its step of {} errs by {} at most: one range serves offset, hum and noise.",
            si::rounded(lsb, "V", 3),
            si::rounded(steps.error_v(lsb), "V", 2)
        ),
        (true, None) => {
            format!("±{range} holds it; give the bits too and the converter's step is judged.")
        }
    }
}

/// Which converters would do on a range that holds what is needed.
fn of_usual_converters(needed_v: f64, steps: &Steps) -> String {
    let judged = USUAL_BITS.map(|bits| {
        let lsb = 2.0 * needed_v / f64::from(bits).exp2();
        let words = if steps.serve(lsb) {
            "fine enough"
        } else {
            "too coarse"
        };
        format!("{bits} bits {} ({words})", si::rounded(lsb, "V", 2))
    });
    format!(
        "Steps of the converter on such a range: {}. Where the step is too coarse: {TWO_CAPTURES}",
        judged.join(", ")
    )
}

//! A channel of which every sample reads the same: not connected, silent, or an input below the converter's step.

use super::facts::ChannelFacts;
use super::noise::band;
use crate::WarningCode;
use crate::analysis::measurement::{Harmonic, Mains, Measurement, Noise};
use crate::stats::{Estimate, LinePower};

/// The measurement of a constant channel, without any fit: an offset within a step, and nothing else found.
///
/// Of noise and hum no more is known than that they did not reach the next level. Where no step is stated the value itself bounds
/// it for offset and hum, where that is not 0: levels are whole multiples of the step.
pub(crate) fn constant(facts: &ChannelFacts<'_>) -> Measurement {
    let level = facts.options.confidence;
    let value = facts.waveform.min;
    let unit = facts.unit();
    let step = facts.step.unwrap_or(value.abs());
    let mut warnings = facts.source_warnings.to_vec();
    let bound = match facts.step {
        Some(_) => format!(
            "what moves by less than the converter's step of {:.4e} {unit} does not show",
            facts.told(step)
        ),
        None if step > 0.0 => "the converter's step is not known, but for that the reading is a whole number of steps: the \
                               intervals of offset and hum hold for one"
            .to_owned(),
        None => {
            "the converter's step is not known, so that nothing bounds what does not show".to_owned()
        }
    };
    warnings.push(WarningCode::CoarseQuantization.warning(format!(
            "every sample reads {} {unit}: a channel without a signal, or one that is not connected; {bound}: use a \
             finer range",
            facts.told(value)
        ),
    ));
    // Evenly anywhere within the step; a sine that does not leave it has a peak of half of it.
    let offset = Estimate::new(
        value,
        (value - 0.5 * step, value + 0.5 * step),
        step / 12f64.sqrt(),
        f64::INFINITY,
        level,
    );
    let up_to = |high: f64| Estimate::new(0.0, (0.0, high), 0.5 * high, f64::INFINITY, level);
    let nominal_hz = facts.options.mains.nominals_hz()[0];
    let band_hz = band(facts, 1.0 / facts.duration_s(), &mut warnings);
    let noise = facts.step.unwrap_or(0.0) / 12f64.sqrt();
    let per_root = 1.0 / (band_hz.1 - band_hz.0).sqrt();
    let hum = up_to(step / 8f64.sqrt());
    let carried = (0.5 * facts.rate_hz() / nominal_hz) as usize;
    let cycles = facts.duration_s() * nominal_hz;
    let orders = if cycles < 1.0 {
        0
    } else {
        facts.options.harmonics.min(carried)
    };
    let power = LinePower::new(0.0, noise * noise, 2.0, f64::INFINITY);
    facts.measurement(
        offset,
        Mains {
            nominal_hz,
            hum_rms: (orders > 0 && step > 0.0).then_some(hum),
            harmonics: (1..=orders)
                .map(|order| Harmonic {
                    order,
                    rms: hum,
                    phase_deg: None,
                    detected: false,
                    power,
                })
                .collect(),
            power,
            ..Mains::default()
        },
        Noise {
            band_hz,
            rms: up_to(noise),
            density_v_per_rthz: up_to(noise * per_root),
            corner_hz: None,
            third_octaves: Vec::new(),
        },
        warnings,
    )
}

//! Warnings of what a record's samples leave open, and of what it holds beside interference.

use super::facts::ChannelFacts;
use crate::analysis::measurement::{Mains, Noise};
use crate::analysis::stream::{HumCourse, RecordFit};
use crate::capture::Coupling;
use crate::hum::{ForeignLine, Presence};
use crate::{Warning, WarningCode};

/// Lines near orders up to which each is told by itself.
const TOLD_ONE_BY_ONE: usize = 3;

/// What the record holds that the plain model does not.
pub(super) fn record_warnings(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    mains: &Mains,
    warnings: &mut Vec<Warning>,
) {
    warnings.extend(beside_interference(facts, fit));
    if !mains.detected {
        return;
    }
    warnings.extend(moving_orders(fit, mains));
    warnings.extend(changes_at_once(facts, fit));
    if fit.combined.walk > 0.0 {
        warnings.push(WarningCode::MainsDrifts.warning("the mains frequency wanders within the record: frequency and phase are those of the record, their intervals \
             wider than the noise alone gives"
                .to_owned(),
        ));
    }
    if let Presence::Present(seen) = &fit.presence {
        warnings.extend(near_orders(
            seen.foreign.iter().filter(|other| other.proved),
        ));
        warnings.extend(near_orders(
            seen.foreign.iter().filter(|other| !other.proved),
        ));
    }
}

/// Hum that begins, ends, or changes at once.
fn changes_at_once(facts: &ChannelFacts<'_>, fit: &RecordFit) -> Option<Warning> {
    let listed = |at_s: &[f64]| -> String {
        let at = at_s
            .iter()
            .map(|at| format!("{:.4} s", at + facts.first_at_s));
        at.collect::<Vec<_>>().join(", ")
    };
    let (code, text) = match &fit.course {
        HumCourse::Throughout => return None,
        HumCourse::Within(from, to) => (
            WarningCode::ModulatedHum,
            format!(
                "the hum is there from {:.4} to {:.4} s alone: hum and harmonics are RMS over the whole record, frequency \
                 and phases those of that part",
                from + facts.first_at_s,
                to + facts.first_at_s
            ),
        ),
        HumCourse::Stepped(at_s) => (
            WarningCode::ModulatedHum,
            format!(
                "the hum steps from one level to another at {}: hum and harmonics are RMS over the whole record, phases \
                 those of its first level",
                listed(at_s)
            ),
        ),
        HumCourse::Turned(at_s) => (
            WarningCode::MainsDrifts,
            format!(
                "the mains changes its phase or its frequency at once at {}, or samples are missing there: the frequency is \
                 the mean of the parts between, phases are those of the first",
                listed(at_s)
            ),
        ),
    };
    Some(code.warning(text))
}

/// Steps, slow content and passing events.
fn beside_interference(facts: &ChannelFacts<'_>, fit: &RecordFit) -> Option<Warning> {
    let other = &fit.other;
    let mut seen: Vec<String> = Vec::new();
    if let Some(first) = other.steps_s.first() {
        seen.push(match other.steps_s.len() {
            1 => format!("a step at {:.4} s", first + facts.first_at_s),
            n => format!("{n} steps, the first at {:.4} s", first + facts.first_at_s),
        });
    }
    if other.slow_span > 0.0 {
        let of_rms = other.slow_span / facts.waveform.ac_rms.max(f64::MIN_POSITIVE);
        seen.push(format!(
            "slow content that spans {of_rms:.2} times the AC RMS"
        ));
    }
    if facts.lone.samples > 0 {
        let first_s = facts.lone.first as f64 / facts.rate_hz();
        seen.push(match facts.lone.samples {
            1 => format!("a sample far off all others at {first_s:.4} s, left out of every figure"),
            n => format!("{n} samples far off all others, the first at {first_s:.4} s, left out of every figure"),
        });
    }
    if let Some(first) = other.first_event_s {
        seen.push(format!(
            "passing events in {:.1} % of the samples, the first at {:.4} s",
            100.0 * other.events as f64 / fit.samples.max(1) as f64,
            first + facts.first_at_s
        ));
    }
    (!seen.is_empty()).then(|| {
        let offset = if other.is_some() {
            "; the offset is the mean over the record"
        } else {
            ""
        };
        WarningCode::NotInterferenceAlone.warning(format!(
                "the record holds more than interference: {}. Hum and noise were read beside it{offset}; capture with tip and \
                 ground lead on the source's ground to see the interference alone",
                seen.join(", ")
            ),
        )
    })
}

/// Resolved orders that move within the record.
fn moving_orders(fit: &RecordFit, mains: &Mains) -> Option<Warning> {
    let resolved = |k: usize| mains.harmonics.get(k - 1).is_some_and(|h| h.detected);
    let moving: Vec<String> = (1..=fit.orders)
        .filter(|&k| {
            let moved = fit.settings.moved.get(k - 1).is_some_and(|m| *m > 1.0);
            resolved(k) && (moved || fit.combined.harmonics[k - 1].unsteady)
        })
        .map(|k| k.to_string())
        .collect();
    (!moving.is_empty()).then(|| {
        WarningCode::ModulatedHum.warning(format!(
                "order {} moves within the record by more than noise does: the intervals are those of the record",
                moving.join(", ")
            ),
        )
    })
}

/// Lines at or near orders, all proved to be another's or none: one by one where they are few.
fn near_orders<'a>(others: impl Iterator<Item = &'a ForeignLine>) -> Vec<Warning> {
    let others: Vec<&ForeignLine> = others.collect();
    if others.len() <= TOLD_ONE_BY_ONE {
        return others.into_iter().map(near_order).collect();
    }
    let orders: Vec<String> = others.iter().map(|own| own.order.to_string()).collect();
    let listed = orders.join(", ");
    let text = if others[0].proved {
        format!(
            "lines stand near orders {listed} and do not follow the mains: they are listed as tones, the orders' intervals \
             reach to their height"
        )
    } else {
        format!(
            "lines stand at the places of orders {listed} and are far stronger than the orders about them: they may be signals \
             of their own; the intervals cover either reading"
        )
    };
    vec![WarningCode::LineNearHarmonic.warning(text)]
}

fn near_order(other: &ForeignLine) -> Warning {
    WarningCode::LineNearHarmonic.warning(format!(
            "a line at {:.4} Hz stands near order {}{}",
            other.line.hz,
            other.order,
            if other.proved {
                " and does not follow the mains: it is listed as a tone, the order's interval reaches to its height"
            } else {
                "'s place and is far stronger than the orders about it: it may be a signal of its own; the intervals \
                 cover either reading"
            }
        ),
    )
}

pub(super) fn quality_warnings(
    facts: &ChannelFacts<'_>,
    noise: &Noise,
    warnings: &mut Vec<Warning>,
) {
    if facts.clipped > 0 {
        warnings.push(WarningCode::Clipped.warning(format!(
                "{} samples ({}) are at a limit of the range: all that is known of them is that the input lay beyond; \
                 choose a wider range and capture again",
                facts.clipped,
                percent(facts.clipped as f64 / facts.frames.max(1) as f64)
            ),
        ));
    }
    if facts.missing > 0
        && !warnings
            .iter()
            .any(|w| w.code == WarningCode::MissingSamples)
    {
        warnings.push(WarningCode::MissingSamples.warning(format!(
            "{} samples are missing and were left out of the fit",
            facts.missing
        )));
    }
    if facts.held.samples > 0 {
        warnings.push(WarningCode::MissingSamples.warning(format!(
            "{} samples ({}) repeat one value while the record goes on, the first at {:.4} s: lost ones for which the last \
             or a fixed value was written; they were left out of the fit",
            facts.held.samples,
            percent(facts.held.samples as f64 / facts.frames.max(1) as f64),
            facts.held.first as f64 / facts.rate_hz()
        )));
    }
    if facts.header.acquisition.coupling == Some(Coupling::Ac) {
        let what = match facts.ac_corner_hz() {
            Some(corner) => format!("AC coupled: the offset is not in the capture; hum was corrected for the stated corner of {corner} Hz"),
            None => "AC coupled: the offset is not in the capture, and the fundamental is lowered by the coupling's corner; \
                     capture again DC coupled, or state the corner"
                .to_owned(),
        };
        warnings.push(WarningCode::AcCoupled.warning(what));
    }
    if let Some(step) = facts.step {
        let wideband = facts
            .waveform
            .ac_rms
            .min(noise.density_v_per_rthz.value * (0.5 * facts.rate_hz()).sqrt());
        if wideband < 0.5 * step {
            warnings.push(WarningCode::CoarseQuantization.warning(format!(
                    "the noise is below half the converter's step of {:.4e} {}: its figure is a bound, not a reading; \
                     use a finer range",
                    facts.told(step),
                    facts.unit()
                ),
            ));
        }
    }
}

/// A share in percent, with a digit where it is small.
fn percent(share: f64) -> String {
    if share < 1e-4 {
        "under 0.01 %".to_owned()
    } else if share < 0.1 {
        format!("{:.2} %", 100.0 * share)
    } else {
        format!("{:.0} %", 100.0 * share)
    }
}

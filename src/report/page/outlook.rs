//! What can be measured now: the wanted signal beside what is left of the interference, and within the range.

use super::tables::{dash, tenths, unit_of};
use crate::analysis::Measurement;
use crate::capture::Condition;
use crate::comparison::{self, SignalErrors};
use crate::session::SessionResult;
use crate::si;
use std::f64::consts::SQRT_2;

/// What is left to measure.
#[derive(Debug, Clone)]
pub(super) struct Outlook {
    pub introduction: String,
    pub lines: Vec<OutlookLine>,
    pub collisions: Vec<String>,
}

/// What is left to measure under one condition.
#[derive(Debug, Clone)]
pub(super) struct OutlookLine {
    pub condition: String,
    pub offset: String,
    pub hum: String,
    pub noise: String,
    pub ratio: String,
    pub from: String,
    pub to: String,
}

/// What is left to measure of the wanted signal: with the loop closed and with every remedy.
pub(super) fn outlook(result: &SessionResult) -> Option<Outlook> {
    let comparison = result.comparison()?;
    let signal = comparison.signal?;
    let unit = unit_of(result);
    let mut lines: Vec<OutlookLine> = Vec::new();
    lines.extend(line(result, None, signal.looped));
    for remedy in &result.remedies {
        let errors = remedy.comparison.signal.and_then(|signal| signal.isolated);
        lines.extend(line(result, Some(&remedy.name), errors));
    }
    let wanted = result.session.wanted.as_ref();
    let name = wanted.and_then(|wanted| wanted.description.as_deref());
    Some(Outlook {
        introduction: format!(
            "For {}, a sine of {} RMS that is to be read to {} %: what offset, hum and noise add to one reading, in parts of the signal; and the RMS of the signals that a single reading gives to that accuracy, from the smallest that stands far enough above the interference to the largest that the range holds beside it.",
            name.map_or_else(
                || "the wanted signal".to_owned(),
                |name| format!("the wanted signal ({name})")
            ),
            si::rounded(signal.amplitude / SQRT_2, unit, 3),
            si::shortest(signal.accuracy_percent, "")
        ),
        lines,
        collisions: collisions(result, comparison.mains_nominal_hz),
    })
}

fn line(
    result: &SessionResult,
    remedy: Option<&str>,
    errors: Option<SignalErrors>,
) -> Option<OutlookLine> {
    let errors = errors?;
    let unit = unit_of(result);
    let part = |percent: Option<f64>| {
        percent.map_or_else(dash, |percent| format!("{} %", si::rounded(percent, "", 2)))
    };
    let smallest = errors.smallest_readable.map(|peak| peak / SQRT_2);
    let largest = largest_rms(result, remedy);
    let (from, to) = match (smallest, largest) {
        (Some(smallest), Some(largest)) if smallest > largest => (
            "none within the range".into(),
            si::rounded(largest, unit, 2),
        ),
        _ => {
            let words = |rms: Option<f64>| rms.map_or_else(dash, |rms| si::rounded(rms, unit, 2));
            (
                words(smallest),
                largest.map_or_else(
                    || "range not stated".into(),
                    |rms| si::rounded(rms, unit, 2),
                ),
            )
        }
    };
    Some(OutlookLine {
        condition: remedy.map_or_else(|| "loop closed".to_owned(), str::to_owned),
        offset: part(errors.offset_percent),
        hum: part(errors.hum_percent),
        noise: part(errors.noise_percent),
        ratio: errors
            .signal_to_noise_db
            .map_or_else(dash, |db| format!("{} dB", tenths(db))),
        from,
        to,
    })
}

/// RMS of the largest sine that the range still holds beside what the captures of a condition showed; `None` where no range
/// is known.
fn largest_rms(result: &SessionResult, remedy: Option<&str>) -> Option<f64> {
    let condition = match remedy {
        Some(_) => Condition::Isolated,
        None => Condition::Looped,
    };
    let room = |measurement: &Measurement| {
        let range = measurement.acquisition.full_scale_v?;
        let taken = measurement
            .waveform
            .max
            .abs()
            .max(measurement.waveform.min.abs());
        Some((range - taken).max(0.0) / SQRT_2)
    };
    result
        .measurements(condition, remedy)
        .filter_map(room)
        .min_by(f64::total_cmp)
}

/// Wanted frequencies that lie on a mains order, a sentence each.
fn collisions(result: &SessionResult, nominal_hz: f64) -> Vec<String> {
    let wanted = result.session.wanted.as_ref();
    let looped = result.measurements(Condition::Looped, None).next();
    comparison::collisions(wanted.map_or(&[], |w| &w.frequency_hz), looped, nominal_hz)
        .iter()
        .map(|collision| {
            format!(
                "The wanted {} lies on order {} of the mains: taking out the harmonics would take it too. Use an interference-only capture as a template or a channel that senses the ground alone.",
                si::shortest(collision.frequency_hz, "Hz"),
                collision.order
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::sample;

    /// Smallest signal: √2 (hum and noise by root sum of squares) beside the offset, over the accuracy, as
    /// `SignalErrors` states it; largest: what the range of 1 V leaves beside the record's extremes.
    #[test]
    fn every_remedy_has_its_line_within_the_range() {
        let result = sample::result();
        let outlook = outlook(&result).unwrap();
        let names: Vec<&str> = outlook.lines.iter().map(|l| l.condition.as_str()).collect();
        assert_eq!(
            names,
            [
                "loop closed",
                "differential input",
                "isolator in the computer link",
                "ferrite <b>on</b> the lead"
            ]
        );
        let looped = result.measurements(Condition::Looped, None).next().unwrap();
        let taken = looped.waveform.max.abs().max(looped.waveform.min.abs());
        let room = si::rounded((1.0 - taken) / SQRT_2, "V", 2);
        assert_eq!(outlook.lines[0].to, room);
        // 11.6 mV of offset alone asks for 1.16 V of signal at 1 %.
        assert_eq!(outlook.lines[0].from, "none within the range");
        assert!(
            outlook.lines[1].from.ends_with(" mV"),
            "{:?}",
            outlook.lines[1]
        );
        assert!(outlook.introduction.contains("1.00 mV RMS"));
    }
}

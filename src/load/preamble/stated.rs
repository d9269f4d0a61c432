//! Rate, start and length as the preamble states them.

use crate::load::preamble::fact::Fact;
use crate::load::preamble::quantity::Value;
use crate::load::shown::short;
use crate::load::value::unit;
use crate::load::vocabulary::meaning::Meaning;
use crate::{Warning, WarningCode};

/// The value of a statement that belongs to a column: by position, in order, or the only one.
pub(crate) fn value_for(
    values: &[Value],
    column: usize,
    order: usize,
    channels: usize,
) -> Option<&Value> {
    match values {
        [] => None,
        [only] => Some(only),
        _ if values.len() == channels => values.get(order),
        _ => values
            .iter()
            .find(|value| value.position + 1 == column)
            .filter(|_| values.len() > channels)
            .or(values.first()),
    }
}

pub(crate) struct Stated {
    pub rate_hz: Option<f64>,
    /// The line that says so.
    pub rate_line: Option<u64>,
    pub start_s: Option<f64>,
    pub points: Option<u64>,
}

/// Rate, start and length from the preamble.
pub(crate) fn stated(
    facts: &[(Meaning, Fact)],
    mark: u8,
    loose: Option<f64>,
) -> (Stated, Vec<Warning>) {
    let mut warnings = Vec::new();
    let mut rate: Option<f64> = None;
    let mut interval: Option<f64> = None;
    let (mut rate_line, mut interval_line) = (None, None);
    let mut start = None;
    let mut points = None;
    let mut trigger: Option<(f64, Option<String>)> = None;
    let time_unit = facts
        .iter()
        .filter(|(meaning, _)| *meaning == Meaning::TimeUnit)
        .find_map(|(_, fact)| unit::time_unit(fact.text()))
        .unwrap_or(1.0);
    for (meaning, fact) in facts {
        let numbers = fact.numbers(mark);
        let Some(value) = numbers.first() else {
            continue;
        };
        let unit = value.unit.as_deref().unwrap_or("");
        let known_unit = !unit.trim().is_empty();
        let sound = |x: f64| x.is_finite() && x > 0.0;
        match meaning {
            Meaning::SampleRate => {
                let stated = match (unit::rate_unit(unit), unit::time_unit(unit)) {
                    (Some(factor), _) => Some(value.number * factor),
                    (None, Some(factor)) => Some(1.0 / (value.number * factor)),
                    (None, None) if !known_unit || unit.len() > 12 => Some(value.number),
                    _ => None,
                };
                if let Some(stated) = stated.filter(|x| sound(*x)) {
                    rate.get_or_insert(stated);
                    rate_line.get_or_insert(fact.line);
                }
            }
            Meaning::SampleInterval => {
                let stated = match (unit::time_unit(unit), unit::rate_unit(unit)) {
                    (Some(factor), _) => Some(value.number * factor),
                    (None, Some(factor)) => Some(1.0 / (value.number * factor)),
                    (None, None) => {
                        let per = unit.split(['/', ' ']).next().and_then(unit::time_unit);
                        match (per, known_unit) {
                            (Some(factor), _) => Some(value.number * factor),
                            (None, false) => Some(value.number * time_unit),
                            (None, true) => None,
                        }
                    }
                };
                let stated = crate::load::value::clock::clock_time(fact.text())
                    .map(|m| m.seconds())
                    .or(stated);
                if let Some(stated) = stated.filter(|x| sound(*x)) {
                    interval.get_or_insert(stated);
                    interval_line.get_or_insert(fact.line);
                }
            }
            Meaning::Points => {
                let plain = unit::time_unit(unit).is_none() && unit::value_unit(unit).is_none();
                if plain
                    && value.number.fract() == 0.0
                    && value.number >= 1.0
                    && value.number < 1e15
                {
                    points = points.or(Some(value.number as u64));
                }
            }
            Meaning::StartTime
                if !fact.text().contains(':')
                    && crate::load::value::clock::date(fact.text()).is_none() =>
            {
                let factor = unit::time_unit(unit).or((!known_unit).then_some(1.0));
                start = start.or(factor.map(|factor| value.number * factor));
            }
            Meaning::TriggerPosition => {
                trigger = trigger.or(Some((value.number, value.unit.clone())));
            }
            _ => {}
        }
    }
    let by_interval = interval.map(|interval| {
        let rate = 1.0 / interval;
        let round = format!("{rate:.11e}").parse().unwrap_or(rate);
        if (round / rate - 1.0f64).abs() < 2e-12 {
            round
        } else {
            rate
        }
    });
    if let (Some(rate), Some(other)) = (rate, by_interval)
        && (rate / other - 1.0).abs() > 1e-3
    {
        warnings.push(Warning::new(
            WarningCode::RateMismatch,
            format!("the preamble gives the rate as {} Hz and the interval as {} s ({} Hz): check which is right and give it with --sample-rate",
                short(rate), short(interval.unwrap_or(0.0)), short(other)),
        ));
    }
    let rate_hz = rate.or(by_interval).or(loose);
    if start.is_none()
        && let (Some((number, unit)), Some(rate)) = (trigger, rate_hz)
    {
        let unit = unit.unwrap_or_default();
        start = if unit.trim() == "%" {
            points.map(|points| -(number / 100.0) * points as f64 / rate)
        } else if let Some(factor) = unit::time_unit(&unit) {
            Some(-number * factor)
        } else if number.fract() == 0.0 && number >= 0.0 {
            Some(-number / rate)
        } else {
            None
        };
    }
    (
        Stated {
            rate_hz,
            rate_line: rate_line.or(interval_line),
            start_s: start.filter(|start: &f64| start.is_finite()),
            points,
        },
        warnings,
    )
}

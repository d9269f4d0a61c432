//! Rate, start and length as the preamble states them.

use crate::load::preamble::fact::Fact;
use crate::load::preamble::quantity::Value;
use crate::load::shown::short;
use crate::load::unit;
use crate::load::value::clock;
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

/// The time base as the preamble states it.
#[derive(Debug, Default)]
pub(crate) struct Stated {
    pub rate_hz: Option<f64>,
    /// The line that says so.
    pub rate_line: Option<u64>,
    pub start_s: Option<f64>,
    pub points: Option<u64>,
}

/// What the statements say one by one, the first of each kind.
#[derive(Debug, Default)]
struct Sayings {
    rate_hz: Option<(f64, u64)>,
    interval_s: Option<(f64, u64)>,
    start_s: Option<f64>,
    points: Option<u64>,
    /// Place of the trigger in the record, with its unit.
    trigger: Option<(f64, Option<String>)>,
}

impl Stated {
    /// Rate, start and length from the preamble. `loose_hz`: a rate named without a key.
    pub fn of(facts: &[(Meaning, Fact)], mark: u8, loose_hz: Option<f64>) -> (Self, Vec<Warning>) {
        let time_unit = facts
            .iter()
            .filter(|(meaning, _)| *meaning == Meaning::TimeUnit)
            .find_map(|(_, fact)| unit::time_unit(fact.text()))
            .unwrap_or(1.0);
        let mut said = Sayings::default();
        for (meaning, fact) in facts {
            if let Some(value) = fact.numbers(mark).first() {
                said.take(*meaning, fact, value, time_unit);
            }
        }
        let by_interval = said.interval_s.map(|(interval, _)| rate_of(interval));
        let rate = said.rate_hz.map(|(rate, _)| rate);
        let rate_hz = rate.or(by_interval).or(loose_hz);
        let start = said
            .start_s
            .or_else(|| rate_hz.and_then(|rate| said.start_before_trigger(rate)));
        let stated = Self {
            rate_hz,
            rate_line: said.rate_hz.or(said.interval_s).map(|(_, line)| line),
            start_s: start.filter(|start| start.is_finite()),
            points: said.points,
        };
        (stated, said.contradiction().into_iter().collect())
    }
}

impl Sayings {
    /// Takes a statement and its first number. `time_unit`: seconds in the unit of times without their own.
    fn take(&mut self, meaning: Meaning, fact: &Fact, value: &Value, time_unit: f64) {
        let unit = value.unit.as_deref().unwrap_or("");
        let sound = |x: &f64| x.is_finite() && *x > 0.0;
        match meaning {
            Meaning::SampleRate => {
                let rate = stated_rate(value.number, unit).filter(sound);
                self.rate_hz = self.rate_hz.or(rate.map(|rate| (rate, fact.line)));
            }
            Meaning::SampleInterval => {
                let interval = clock::clock_time(fact.text())
                    .map(|moment| moment.seconds())
                    .or_else(|| stated_interval(value.number, unit, time_unit))
                    .filter(sound);
                self.interval_s = self.interval_s.or(interval.map(|s| (s, fact.line)));
            }
            Meaning::Points => {
                let plain = unit::time_unit(unit).is_none() && unit::value_unit(unit).is_none();
                let count = value.number;
                if plain && count.fract() == 0.0 && (1.0..POINTS_MOST).contains(&count) {
                    self.points = self.points.or(Some(count as u64));
                }
            }
            Meaning::StartTime
                if !fact.text().contains(':') && clock::date(fact.text()).is_none() =>
            {
                let factor = unit::time_unit(unit).or(unit.trim().is_empty().then_some(1.0));
                self.start_s = self.start_s.or(factor.map(|factor| value.number * factor));
            }
            Meaning::TriggerPosition if self.trigger.is_none() => {
                self.trigger = Some((value.number, value.unit.clone()));
            }
            _ => {}
        }
    }

    /// The time of the first frame where the trigger is at 0.
    fn start_before_trigger(&self, rate_hz: f64) -> Option<f64> {
        let (number, unit) = self.trigger.as_ref()?;
        let unit = unit.as_deref().unwrap_or("");
        if unit.trim() == "%" {
            let points = self.points?;
            Some(-(number / 100.0) * points as f64 / rate_hz)
        } else if let Some(factor) = unit::time_unit(unit) {
            Some(-number * factor)
        } else {
            (number.fract() == 0.0 && *number >= 0.0).then(|| -number / rate_hz)
        }
    }

    /// That rate and interval contradict each other.
    fn contradiction(&self) -> Option<Warning> {
        let ((rate, _), (interval, _)) = (self.rate_hz?, self.interval_s?);
        let other = rate_of(interval);
        ((rate / other - 1.0).abs() > CONTRADICTION).then(|| {
            WarningCode::RateMismatch.warning(format!(
            "the preamble gives the rate as {} Hz and the interval as {} s ({} Hz): check which \
             is right and give it with --sample-rate",
                short(rate), short(interval), short(other)),
        )
        })
    }
}

/// Counts of points from here on are no lengths of a record.
const POINTS_MOST: f64 = 1e15;
/// From this relative difference on, two statements of the rate contradict each other.
pub(crate) const CONTRADICTION: f64 = 1e-3;
/// Texts longer than this behind a rate are no unit.
const UNIT_MOST: usize = 12;

/// Hz of a statement of the rate, which may as well give the interval.
fn stated_rate(number: f64, unit: &str) -> Option<f64> {
    match (unit::rate_unit(unit), unit::time_unit(unit)) {
        (Some(factor), _) => Some(number * factor),
        (None, Some(factor)) => Some(1.0 / (number * factor)),
        (None, None) => (unit.trim().is_empty() || unit.len() > UNIT_MOST).then_some(number),
    }
}

/// Seconds of a statement of the interval, which may as well give the rate.
fn stated_interval(number: f64, unit: &str, time_unit: f64) -> Option<f64> {
    match (unit::time_unit(unit), unit::rate_unit(unit)) {
        (Some(factor), _) => Some(number * factor),
        (None, Some(factor)) => Some(1.0 / (number * factor)),
        (None, None) => {
            let per = unit.split(['/', ' ']).next().and_then(unit::time_unit);
            per.or(unit.trim().is_empty().then_some(time_unit))
                .map(|factor| number * factor)
        }
    }
}

/// The rate of an interval, Hz: the one of twelve digits, where that is as good as the quotient.
fn rate_of(interval_s: f64) -> f64 {
    let rate = 1.0 / interval_s;
    let round = format!("{rate:.11e}").parse().unwrap_or(rate);
    if (round / rate - 1.0f64).abs() < 2e-12 {
        round
    } else {
        rate
    }
}

//! Units, converter counts, range, coupling and probe of the channels.

use crate::capture::{Acquisition, Coupling};
use crate::load::options::LoadOptions;
use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::quantity::Value;
use crate::load::preamble::setting;
use crate::load::preamble::stated::value_for;
use crate::load::rows::plan::Signal;
use crate::load::table::layout::Layout;
use crate::load::unit::{self, Unit};
use crate::load::vocabulary::meaning::Meaning;
use crate::{Warning, WarningCode};

/// What the preamble says of the values, read once for all columns.
pub(crate) struct Given<'a> {
    layout: &'a Layout,
    /// Statements of scale, reference and offset with their numbers.
    numbers: Vec<(Meaning, &'a Fact, Vec<Value>)>,
    /// The statement of units, and those that are not blank.
    units: Option<(&'a Fact, Vec<&'a String>)>,
}

impl<'a> Given<'a> {
    pub fn new(layout: &'a Layout) -> Self {
        let mark = layout.dialect.decimal_mark;
        let wanted = |meaning: &Meaning| {
            matches!(
                meaning,
                Meaning::CountScale | Meaning::CountReference | Meaning::Offset
            )
        };
        Self {
            layout,
            numbers: layout
                .facts
                .iter()
                .filter(|(meaning, _)| wanted(meaning))
                .map(|(meaning, fact)| (*meaning, fact, fact.numbers(mark)))
                .collect(),
            units: fact::stated(&layout.facts, Meaning::ValueUnit)
                .map(|fact| (fact, fact.values.iter().filter(|v| !v.is_empty()).collect())),
        }
    }

    /// The unit that a statement gives a column.
    fn unit(&self, column: usize, order: usize, channels: usize) -> Option<String> {
        let (fact, texts) = self.units.as_ref()?;
        fact.values
            .get(column.wrapping_sub(1))
            .filter(|v| !v.is_empty() && texts.len() >= channels && texts.len() > 1)
            .or_else(|| {
                if texts.len() == channels {
                    texts.get(order).copied()
                } else {
                    texts.first().copied()
                }
            })
            .cloned()
    }
}

/// Scale and unit of a column, for the first channel.
pub(crate) fn scaling_of(
    given: &Given<'_>,
    column: usize,
    order: usize,
    channels: usize,
    options: &LoadOptions,
) -> (Signal, String) {
    let info = &given.layout.columns[column];
    let stated_unit = given.unit(column, order, channels);
    let written = info.unit_text().map(String::from).or(stated_unit);
    let known: Option<Unit> = written.as_deref().and_then(unit::value_unit);
    let counts = written.as_deref().is_some_and(unit::is_count_unit);
    let value_of = |wanted: Meaning| {
        given
            .numbers
            .iter()
            .filter(|(meaning, ..)| *meaning == wanted)
            .find_map(|(_, fact, numbers)| {
                value_for(numbers, column, order, channels)
                    .filter(|value| value.number.is_finite())
                    .cloned()
                    .map(|value| (value, *fact))
            })
    };
    if (counts || written.is_none() || info.title.unit.is_none())
        && (counts || info.is_integer())
        && let Some(scaling) = count_scaling(value_of, known.as_ref())
    {
        return scaling;
    }
    let unit = known.unwrap_or_else(|| match written {
        Some(text) => Unit::foreign(text.trim_matches(['(', ')', '[', ']'])),
        None => {
            let fallback = options.unit.as_deref().unwrap_or("V");
            unit::value_unit(fallback).unwrap_or_else(|| Unit::foreign(fallback))
        }
    });
    let signal = Signal {
        factor: unit.factor,
        ..Signal::default()
    };
    (signal, unit.name)
}

/// Converter counts to volts: `(count - reference) * scale + offset`.
pub(crate) fn count_scaling<'a>(
    value_of: impl Fn(Meaning) -> Option<(Value, &'a Fact)>,
    known: Option<&Unit>,
) -> Option<(Signal, String)> {
    let (scale, fact) = value_of(Meaning::CountScale)?;
    let per_unit = |text: &str| {
        let text = text.trim_matches(['(', ')', '[', ']', ' ']);
        let (above, below) = text
            .split_once('/')
            .or_else(|| text.split_once(" per "))
            .unwrap_or((text, "count"));
        if unit::value_unit(above).is_some()
            && (unit::is_count_unit(below) || below.trim() == "adc")
        {
            unit::value_unit(above).map(|unit| (unit, false))
        } else if unit::is_count_unit(above) {
            unit::value_unit(below).map(|unit| (unit, true))
        } else {
            None
        }
    };
    let unit_text = scale.unit.clone().unwrap_or_default();
    if unit_text.to_lowercase().contains("div") || fact.key.to_lowercase().contains("div") {
        return None;
    }
    let (target, inverse) = per_unit(&unit_text)
        .or_else(|| per_unit(&fact.key))
        .or_else(|| known.map(|unit| (unit.clone(), false)))
        .unwrap_or_else(|| (Unit::foreign("V"), false));
    if scale.number == 0.0 || !scale.number.is_finite() {
        return None;
    }
    let factor = if inverse {
        target.factor / scale.number
    } else {
        target.factor * scale.number
    };
    let mut reference = value_of(Meaning::CountReference).map_or(0.0, |(value, _)| value.number);
    let mut offset = 0.0;
    if let Some((value, _)) = value_of(Meaning::Offset) {
        match value.unit.as_deref() {
            Some(text) if unit::is_count_unit(text) => reference += value.number,
            Some(text) => {
                offset =
                    value.number * unit::value_unit(text).map_or(target.factor, |unit| unit.factor);
            }
            None => offset = value.number * target.factor,
        }
    }
    let signal = Signal {
        channel: 0,
        reference,
        factor,
        offset,
    };
    Some((signal, target.name))
}

/// Range, coupling and probe from the preamble and the options.
pub(crate) fn acquisition_of(
    layout: &Layout,
    signals: &[usize],
    options: &LoadOptions,
) -> (Acquisition, Vec<Warning>) {
    let mark = layout.dialect.decimal_mark;
    let mut acquisition = Acquisition::default();
    let mut warnings = Vec::new();
    let mut couplings: Vec<Coupling> = Vec::new();
    for (meaning, fact) in &layout.facts {
        match meaning {
            Meaning::Coupling => {
                couplings.extend(fact.values.iter().filter_map(|v| setting::coupling(v)));
            }
            Meaning::ProbeFactor => {
                acquisition.probe_factor = acquisition
                    .probe_factor
                    .or_else(|| setting::probe_factor(fact.text()));
            }
            Meaning::FullScale => {
                let numbers = fact.numbers(mark);
                let ranges: Vec<f64> = numbers.iter().map(|v| v.number.abs()).collect();
                let differ = ranges.windows(2).any(|pair| pair[0] != pair[1]);
                if let Some((range, unit)) =
                    setting::range(&fact.key, &numbers, &fact.values.join(" "))
                    && !(differ && signals.len() > 1)
                {
                    let factor = unit
                        .as_deref()
                        .and_then(unit::value_unit)
                        .map_or(1.0, |unit| unit.factor);
                    let range = range * factor * options.scale.abs();
                    acquisition.full_scale_v = acquisition
                        .full_scale_v
                        .or(Some(range).filter(|range| range.is_finite() && *range > 0.0));
                }
            }
            _ => {}
        }
    }
    // A rate key of two letters with volts behind it is a range.
    if let Some(first) = couplings.first() {
        let mixed = couplings.iter().any(|coupling| coupling != first);
        acquisition.coupling = Some(if mixed { Coupling::Ac } else { *first });
        if mixed {
            warnings.push(WarningCode::CouplingMismatch.warning(
                "the preamble gives AC coupling for some channels and DC for others; all are \
                 treated as AC: analyse them apart with --coupling",
            ));
        }
    }
    if let Some(full_scale) = options.full_scale_v {
        acquisition.full_scale_v = Some(full_scale * options.scale.abs());
    }
    if let Some(coupling) = options.coupling {
        acquisition.coupling = Some(coupling);
        warnings.clear();
    }
    (acquisition, warnings)
}

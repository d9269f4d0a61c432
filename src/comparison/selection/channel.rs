//! One channel's captures by condition.

use crate::analysis::Measurement;
use crate::comparison::result::LeftOut;
use crate::{Condition, Error, ErrorKind};
use std::collections::BTreeMap;

use super::choice::ALL;

/// The captures of the channel that is compared: the one that most looped captures have (without
/// such captures, most of all), of several as frequent the one that stands first in its captures. Where
/// no capture of a condition has it, that condition's own favourite counts.
pub(in crate::comparison) fn same_channel<'a>(
    measurements: &'a BTreeMap<Condition, Vec<Measurement>>,
    left_out: &mut Vec<LeftOut>,
) -> Result<BTreeMap<Condition, Vec<&'a Measurement>>, Error> {
    let all = || measurements.values().flatten();
    let looped = measurements.get(&Condition::Looped).into_iter().flatten();
    let Some(chosen) = favourite(looped).or_else(|| favourite(all())) else {
        return Err(too_few_conditions());
    };
    let mut captures: BTreeMap<Condition, Vec<&Measurement>> = BTreeMap::new();
    for (&condition, of_condition) in measurements {
        let several = of_condition.iter().any(|m| m.channel == chosen.channel);
        let own = favourite(of_condition);
        let Some(wanted) = (if several { Some(chosen) } else { own }) else {
            continue;
        };
        for m in of_condition {
            if m.unit != chosen.unit {
                return Err(other_unit(m, chosen));
            }
            if m.channel == wanted.channel {
                captures.entry(condition).or_default().push(m);
            } else {
                let why = format!("channel '{}' is compared", wanted.channel);
                left_out.extend(LeftOut::of((&m.file, &m.channel), condition, &ALL, &why));
            }
        }
    }
    if captures.len() < 2 {
        return Err(too_few_conditions());
    }
    Ok(captures)
}

fn other_unit(m: &Measurement, chosen: &Measurement) -> Error {
    ErrorKind::BadOption
        .error(format!(
            "its values are in {}, those of {} in {}; give the unit of all captures",
            m.unit, chosen.file, chosen.unit
        ))
        .in_file(&m.file)
}

/// By number of captures, then by place within them, then by name: not by the captures' order.
fn favourite<'a>(captures: impl IntoIterator<Item = &'a Measurement>) -> Option<&'a Measurement> {
    let mut found: BTreeMap<&str, (usize, usize, &Measurement)> = BTreeMap::new();
    let mut place = 0;
    let mut file: Option<&str> = None;
    for m in captures {
        place = if file == Some(m.file.as_str()) {
            place + 1
        } else {
            0
        };
        file = Some(&m.file);
        let entry = found.entry(&m.channel).or_insert((0, 0, m));
        entry.0 += 1;
        entry.1 += place;
    }
    let best = found
        .into_values()
        .min_by_key(|(count, places, _)| (std::cmp::Reverse(*count), *places))?;
    Some(best.2)
}

pub(in crate::comparison) fn too_few_conditions() -> Error {
    ErrorKind::BadOption.error(
        "a comparison needs captures of at least two of the conditions baseline, looped, isolated",
    )
}

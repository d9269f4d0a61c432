//! A table whose rows are channels, read into memory.

use crate::capture::{Capture, CaptureHeader, Channel, MemorySource};
use crate::load::options::LoadOptions;
use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::stated::Stated;
use crate::load::shown::{short, shown};
use crate::load::text::dialect::Dialect;
use crate::load::text::head::Head;
use crate::load::time::rate::{self, StatedRates};
use crate::load::transposed::long_row::LongRow;
use crate::load::transposed::times::Times;
use crate::load::unit;
use crate::load::vocabulary::meaning::Meaning;
use crate::{Error, ErrorKind, WarningCode};
use ndarray::Array2;

/// Reads a table whose rows, at these places among the lines, are channels.
pub(crate) fn read(
    name: &str,
    head: &Head<'_>,
    dialect: Dialect,
    places: &[usize],
    options: &LoadOptions,
) -> Result<MemorySource<'static>, Error> {
    let facts = facts_beside(head, dialect, places);
    let (stated, mut warnings) = Stated::of(&facts, dialect.decimal_mark, None);
    let (time, signals) = rows_of(head, dialect, places)?;
    let lengths = signals.iter().map(|row| row.values.len());
    let frames = lengths
        .max()
        .filter(|frames| *frames > 0)
        .ok_or_else(|| ErrorKind::NoSamples.error("there is a row of times but none of samples"))?;
    let ignored = |row: &LongRow| {
        options.sample_rate_hz.is_some() || stated.rate_hz.is_some() && row.counts()
    };
    let times = time
        .filter(|row| !ignored(row))
        .map(|row| Times::of(&row, head, dialect))
        .transpose()?;
    let stated_start = stated.start_s.unwrap_or(0.0);
    let rates = StatedRates {
        user_hz: options.sample_rate_hz,
        stated_hz: stated.rate_hz,
        stated_line: stated.rate_line,
        start_s: times.as_ref().map_or(stated_start, |times| times.start_s),
    };
    let (time_base, told) = rate::decide(rates, times.as_ref().map(|times| times.grid))?;
    warnings.extend(told);
    if let Some(share) = times.and_then(|times| times.unevenness) {
        warnings.push(WarningCode::UnevenSampling.warning(format!(
            "stamps lie up to {} of a sample interval off the even grid",
            short(share)
        )));
    }
    let stated_unit = fact::stated(&facts, Meaning::ValueUnit).map(Fact::text);
    let mut channels: Vec<Channel> = Vec::new();
    let mut samples = Array2::from_elem((signals.len(), frames), f64::NAN);
    for (order, row) in signals.iter().enumerate() {
        let (mut channel, factor) = channel_of(row, order, stated_unit, options);
        if channels.iter().any(|other| other.name == channel.name) {
            channel.name = format!("{} ({})", channel.name, order + 1);
        }
        for (place, value) in samples.row_mut(order).iter_mut().zip(&row.values) {
            *place = value * factor;
        }
        let missing = frames - row.values.len() + row.missing;
        if missing > 0 {
            warnings.push(WarningCode::MissingSamples.warning(format!(
                "{missing} of {frames} samples of channel '{}' are missing (line {})",
                shown(&channel.name),
                row.line
            )));
        }
        channels.push(channel);
    }
    let mut header = CaptureHeader::new(name, channels, time_base);
    header.acquisition.full_scale_v = options
        .full_scale_v
        .map(|full_scale| full_scale * options.scale.abs());
    header.acquisition.coupling = options.coupling;
    let capture = Capture::new(header, samples)?;
    Ok(capture.with_warnings(warnings).into())
}

/// The statements of the lines that are no rows.
fn facts_beside(head: &Head<'_>, dialect: Dialect, places: &[usize]) -> Vec<(Meaning, Fact)> {
    let mut facts: Vec<Fact> = Vec::new();
    for (index, line) in head.lines.iter().enumerate() {
        if !places.contains(&index) {
            fact::facts_of(&line.text, line.number, dialect, &mut facts);
        }
    }
    facts
        .into_iter()
        .filter_map(|fact| Some((Meaning::of(&fact.key)?, fact)))
        .collect()
}

/// The row of times, where there is one, and those of samples.
fn rows_of(
    head: &Head<'_>,
    dialect: Dialect,
    places: &[usize],
) -> Result<(Option<LongRow>, Vec<LongRow>), Error> {
    let mut time: Option<LongRow> = None;
    let mut signals: Vec<LongRow> = Vec::new();
    for place in places {
        let row = LongRow::read(*place, &head.lines[*place], dialect)?;
        let title = &row.title;
        let named_value = title.unit.as_deref().and_then(unit::value_unit).is_some();
        let unnamed = title.name.is_empty() && title.unit.is_none();
        let is_time = time.is_none()
            && !named_value
            && places.len() > 1
            && (title.says_time() && (!title.may_be_signal() || row.rises_evenly())
                || (unnamed || title.says_index()) && signals.is_empty() && row.rises_evenly());
        if is_time {
            time = Some(row);
        } else {
            signals.push(row);
        }
    }
    Ok((time, signals))
}

/// The channel of a row, and the factor to its unit.
fn channel_of(
    row: &LongRow,
    order: usize,
    stated_unit: Option<&str>,
    options: &LoadOptions,
) -> (Channel, f64) {
    let written = row
        .title
        .unit
        .as_deref()
        .or(stated_unit)
        .or(options.unit.as_deref())
        .unwrap_or("V");
    let known = unit::value_unit(written);
    let factor = known.as_ref().map_or(1.0, |unit| unit.factor) * options.scale;
    let name = match row.title.name.as_str() {
        "" => (order + 1).to_string(),
        name => name.to_string(),
    };
    let unit = known.map_or_else(|| written.to_string(), |unit| unit.name);
    (Channel { name, unit }, factor)
}

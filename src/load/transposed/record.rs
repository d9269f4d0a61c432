//! Tables turned on their side: one row a channel.

use crate::capture::{Capture, CaptureHeader, Channel, MemorySource};
use crate::load::options::LoadOptions;
use crate::load::preamble::fact::{self, Fact};
use crate::load::preamble::stated::stated;
use crate::load::shown::shown;
use crate::load::text::dialect::{Delimiter, Dialect, clip};
use crate::load::text::head::{Head, Line};
use crate::load::time::grid::Grid;
use crate::load::time::rate::{self, StatedRates};
use crate::load::time::row_time::Stamp;
use crate::load::time::tracker::Tracker;
use crate::load::value::cell::{self, Cell};
use crate::load::value::number::Decimal;
use crate::load::value::unit;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::Title;
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;
use std::borrow::Cow;

/// More rows than this are no channels.
const ROW_LIMIT: usize = 64;
/// Stamps that the grid of a row of times is laid out by.
const STAMPS_MOST: usize = 1 << 16;
/// Fewer cells than this are no record.
const CELLS_LEAST: usize = 8;

/// Finds a table of few long rows and gives its dialect and the rows' places among the lines.
pub(crate) fn detect(lines: &[Line<'_>]) -> Option<(Dialect, Vec<usize>)> {
    if lines.len() > 2000 {
        return None;
    }
    let mut best: Option<(Dialect, Vec<usize>, usize)> = None;
    for delimiter in [b'\t', b';', b',', b'|'] {
        for decimal_mark in [b'.', b','] {
            if delimiter == decimal_mark {
                continue;
            }
            let dialect = Dialect {
                delimiter: Delimiter::Byte(delimiter),
                decimal_mark,
                grouping: None,
                hexadecimal: false,
            };
            let Some((rows, cells)) = long_rows(lines, dialect) else {
                continue;
            };
            let marked = decimal_mark == b','
                && best
                    .as_ref()
                    .is_some_and(|(_, rows_before, _)| rows_before.len() >= rows.len());
            if !marked
                && best
                    .as_ref()
                    .is_none_or(|(_, before, _)| rows.len() > before.len())
            {
                best = Some((dialect, rows, cells));
            }
        }
    }
    let blanks = Dialect {
        delimiter: Delimiter::Blanks,
        decimal_mark: b'.',
        grouping: None,
        hexadecimal: false,
    };
    if best.is_none() {
        best = long_rows(lines, blanks).map(|(rows, cells)| (blanks, rows, cells));
    }
    best.map(|(dialect, rows, _)| (dialect, rows))
}

fn long_rows(lines: &[Line<'_>], dialect: Dialect) -> Option<(Vec<usize>, usize)> {
    let mut rows = Vec::new();
    let mut longest = 0;
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let text = line.text.trim();
        if text.is_empty() {
            continue;
        }
        let total = match dialect.delimiter {
            Delimiter::Byte(byte) => memchr::memchr_iter(byte, text.as_bytes()).count() + 1,
            Delimiter::Blanks => clip(text, 1 << 14).split_whitespace().count(),
        };
        if total < CELLS_LEAST {
            continue;
        }
        dialect.split(clip(text, 1 << 12), &mut cells);
        // The last cell may be cut.
        cells.pop();
        let kinds: Vec<Cell> = cells.iter().map(|cell| dialect.classify(cell)).collect();
        let lead = kinds.iter().take_while(|kind| **kind == Cell::Text).count();
        let text_later = kinds[lead..]
            .iter()
            .filter(|kind| **kind == Cell::Text)
            .count();
        let data = kinds[lead..].iter().filter(|kind| kind.is_datum()).count();
        if lead <= 3
            && text_later * 10 <= data
            && data * 2 > kinds.len() - lead
            && data >= CELLS_LEAST - 3
        {
            rows.push(index);
            longest = longest.max(total);
        } else if kinds.iter().filter(|kind| **kind == Cell::Text).count() * 2 > kinds.len() {
            // A header over many columns: an ordinary table.
            return None;
        }
    }
    let few = !rows.is_empty() && rows.len() <= ROW_LIMIT && longest > 4 * rows.len();
    (few && longest >= CELLS_LEAST).then_some((rows, longest))
}

struct LongRow {
    place: usize,
    line: u64,
    title: Title,
    lead: usize,
    /// NaN where missing, infinite beyond the range.
    values: Vec<f64>,
    missing: usize,
}

fn read_row(place: usize, line: &Line<'_>, dialect: Dialect) -> Result<LongRow, Error> {
    let mut row = LongRow {
        place,
        line: line.number,
        title: Title::default(),
        lead: 0,
        values: Vec::new(),
        missing: 0,
    };
    let mut trailing = 0;
    for (column, text) in dialect.cells(line.text.trim()).enumerate() {
        let text = text.as_ref();
        let cell = dialect.classify(text);
        if cell == Cell::Text && column == row.lead && column < 3 {
            let text = cell::bare(text);
            if column == 0 {
                row.title = Title::of(text);
            } else if unit::is_unit(text) {
                row.title.unit = Some(text.to_string());
            }
            row.lead += 1;
            continue;
        }
        trailing = if text.trim().is_empty() {
            trailing + 1
        } else {
            0
        };
        let value = match cell {
            Cell::Number(number) => number.value,
            Cell::Quantity(number, text) => {
                let factor = unit::value_unit(&text).map(|unit| unit.factor);
                number.value * factor.or_else(|| unit::time_unit(&text)).unwrap_or(1.0)
            }
            Cell::Overload(sign) => sign * f64::INFINITY,
            Cell::Missing => {
                row.missing += 1;
                f64::NAN
            }
            _ => {
                return Err(Error::new(
                    ErrorKind::BadValue,
                    format!(
                        "found '{}' where a number should stand; mend the cell or leave it blank",
                        shown(text.trim())
                    ),
                )
                .at_line(line.number)
                .at_column(column as u64 + 1));
            }
        };
        row.values.push(value);
    }
    row.values.truncate(row.values.len() - trailing);
    row.missing -= trailing;
    Ok(row)
}

/// The numbers of a row of times with the digits they are written with.
fn decimals<'a>(
    row: &LongRow,
    head: &'a Head<'_>,
    dialect: Dialect,
) -> impl Iterator<Item = Option<Decimal>> + Clone + use<'a> {
    let text = head.lines[row.place].text.trim();
    dialect
        .cells(text)
        .skip(row.lead)
        .take(row.values.len())
        .map(move |text| match dialect.classify(&text) {
            Cell::Number(number) | Cell::Quantity(number, _) => Some(number),
            _ => None,
        })
}

/// Whether unnamed numbers rise evenly.
fn rises_evenly(values: &[f64]) -> bool {
    let (Some(first), Some(last)) = (values.first(), values.last()) else {
        return false;
    };
    let step = (last - first) / (values.len().max(2) - 1) as f64;
    let limit = step * 0.05;
    step > 0.0
        && values
            .iter()
            .enumerate()
            .all(|(index, value)| (value - first - index as f64 * step).abs() <= limit)
}

/// Reads a table whose rows are channels.
pub(crate) fn read(
    name: &str,
    head: &Head<'_>,
    dialect: Dialect,
    places: &[usize],
    options: &LoadOptions,
) -> Result<MemorySource<'static>, Error> {
    let mut facts: Vec<Fact> = Vec::new();
    for (index, line) in head.lines.iter().enumerate() {
        if !places.contains(&index) {
            fact::facts_of(&line.text, line.number, dialect, &mut facts);
        }
    }
    let facts: Vec<(Meaning, Fact)> = facts
        .into_iter()
        .filter_map(|fact| Some((Meaning::of(&fact.key)?, fact)))
        .collect();
    let (stated, mut warnings) = stated(&facts, dialect.decimal_mark, None);
    let mut time: Option<LongRow> = None;
    let mut signals: Vec<LongRow> = Vec::new();
    for place in places {
        let row = read_row(*place, &head.lines[*place], dialect)?;
        let named_value = row
            .title
            .unit
            .as_deref()
            .is_some_and(|u| unit::value_unit(u).is_some());
        let unnamed = row.title.name.is_empty() && row.title.unit.is_none();
        let is_time = time.is_none()
            && !named_value
            && places.len() > 1
            && (row.title.says_time() && (!row.title.may_be_signal() || rises_evenly(&row.values))
                || (unnamed || row.title.says_index())
                    && signals.is_empty()
                    && rises_evenly(&row.values));
        if is_time {
            time = Some(row);
        } else {
            signals.push(row);
        }
    }
    let Some(frames) = signals
        .iter()
        .map(|row| row.values.len())
        .max()
        .filter(|f| *f > 0)
    else {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "there is a row of times but none of samples",
        ));
    };
    let mut statements = StatedRates {
        user_hz: options.sample_rate_hz,
        stated_hz: stated.rate_hz,
        stated_line: stated.rate_line,
        start_s: stated.start_s.unwrap_or(0.0),
    };
    let mut grid = None;
    let mut told = None;
    if let Some(row) =
        time.filter(|row| options.sample_rate_hz.is_none() && !is_count(row, stated.rate_hz))
    {
        let factor = row
            .title
            .unit
            .as_deref()
            .and_then(unit::time_unit)
            .unwrap_or(1.0);
        let numbers = decimals(&row, head, dialect);
        let written = || numbers.clone().flatten();
        let first = written().next().ok_or_else(|| {
            Error::new(ErrorKind::NoSampleRate, "the row of times holds no number")
                .at_line(row.line)
        })?;
        statements.start_s = first.value * factor;
        let widest = written().map(|n| n.width()).max().unwrap_or(0);
        let stamps: Vec<f64> = written()
            .take(STAMPS_MOST)
            .map(|n| n.after(first) * factor)
            .collect();
        let resolution = if written().all(|n| n.is_aligned(first)) {
            crate::load::value::number::power_of_ten(first.exponent)
        } else {
            written().map(|n| n.rounding(widest)).fold(0.0, f64::max)
        } * factor;
        let found = Grid::from_stamps(&stamps, resolution)
            .filter(|grid| grid.step_s > 0.0)
            .ok_or_else(|| {
                Error::new(
                    ErrorKind::UnevenSampling,
                    "the row of times does not rise; give --sample-rate to ignore it",
                )
                .at_line(row.line)
            })?;
        let mut tracker = Tracker::new(found);
        let column = |frame: usize| (row.lead + frame) as u64 + 1;
        for (frame, number) in numbers.enumerate() {
            let Some(number) = number else {
                continue;
            };
            let missing = tracker
                .accept(
                    frame as u64,
                    Stamp {
                        after_s: number.after(first) * factor,
                        rounding_s: 0.0,
                    },
                    row.line,
                )
                .map_err(|error| error.at_line(row.line).at_column(column(frame)))?;
            if missing > 0 {
                return Err(Error::new(
                    ErrorKind::UnevenSampling,
                    format!("{missing} stamps are missing here; fill the gap or give --sample-rate to ignore the times"),
                )
                .at_line(row.line)
                .at_column(column(frame)));
            }
        }
        if let Some((share, _)) = tracker.told_unevenness() {
            told = Some(share);
        }
        grid = Some(tracker.refined());
    }
    let (time_base, more) = rate::decide(statements, grid)?;
    warnings.extend(more);
    if let Some(share) = told {
        warnings.push(Warning::new(
            WarningCode::UnevenSampling,
            format!(
                "stamps lie up to {} of a sample interval off the even grid",
                crate::load::shown::short(share)
            ),
        ));
    }
    let stated_unit = facts
        .iter()
        .find(|(meaning, _)| *meaning == Meaning::ValueUnit)
        .map(|(_, fact)| fact.text().to_string());
    let mut channels: Vec<Channel> = Vec::new();
    let mut samples = Array2::from_elem((signals.len(), frames), f64::NAN);
    for (order, row) in signals.iter().enumerate() {
        let written = row
            .title
            .unit
            .clone()
            .or_else(|| stated_unit.clone())
            .or_else(|| options.unit.clone())
            .unwrap_or_else(|| "V".into());
        let known = unit::value_unit(&written);
        let factor = known.as_ref().map_or(1.0, |unit| unit.factor) * options.scale;
        let name = if row.title.name.is_empty() {
            (order + 1).to_string()
        } else {
            row.title.name.clone()
        };
        let twin = channels.iter().any(|channel| channel.name == name);
        let missing = frames - row.values.len() + row.missing;
        for (place, value) in samples.row_mut(order).iter_mut().zip(&row.values) {
            *place = value * factor;
        }
        let name = if twin {
            format!("{name} ({})", order + 1)
        } else {
            name
        };
        if missing > 0 {
            warnings.push(Warning::new(
                WarningCode::MissingSamples,
                format!(
                    "{missing} of {frames} samples of channel '{}' are missing (line {})",
                    shown(&name),
                    row.line
                ),
            ));
        }
        channels.push(Channel {
            name,
            unit: known.map_or(written, |unit| unit.name),
        });
    }
    let mut header = CaptureHeader::new(name, channels, time_base);
    header.acquisition.full_scale_v = options
        .full_scale_v
        .map(|full_scale| full_scale * options.scale.abs());
    header.acquisition.coupling = options.coupling;
    Ok(Capture::new(header, samples)?
        .with_warnings(warnings)
        .into())
}

/// A row of integers by ones under a rate told elsewhere numbers the samples.
fn is_count(row: &LongRow, stated: Option<f64>) -> bool {
    stated.is_some()
        && row.title.unit.is_none()
        && row.values.windows(2).all(|pair| pair[1] - pair[0] == 1.0)
}

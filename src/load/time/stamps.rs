//! The time cells of the first rows.

use crate::load::options::LoadOptions;
use crate::load::preamble::stated::Stated;
use crate::load::time::cells::TimeCells;
use crate::load::time::grid::Grid;
use crate::load::time::row_time::{RowTime, time_number};
use crate::load::value::cell::Cell;
use crate::load::value::number::Decimal;
use crate::{Error, ErrorKind};

/// Stamps of the first rows.
pub(crate) struct Stamps {
    /// Seconds after the first, with their rounding.
    pub relative: Vec<f64>,
    pub resolution_s: f64,
    /// The first as an absolute time, where it is a number of seconds.
    pub first_s: Option<f64>,
}

pub(crate) fn stamps_of(time: TimeCells, rows: &[Vec<Cell>]) -> Option<Stamps> {
    match time {
        TimeCells::Number { column, factor } => {
            let number = |row: &Vec<Cell>| time_number(row.get(column)?, factor);
            let factor = rows.first().and_then(number)?.1;
            let numbers: Vec<Decimal> = rows.iter().map_while(|row| Some(number(row)?.0)).collect();
            let first = numbers.first()?;
            let widest = numbers.iter().map(Decimal::width).max().unwrap_or(0);
            let same = numbers.iter().all(|n| {
                n.exponent == first.exponent && n.mantissa != crate::load::value::number::TOO_LONG
            });
            let resolution = if same {
                crate::load::value::number::power_of_ten(first.exponent)
            } else {
                let finest = numbers.iter().map(|n| n.exponent).min().unwrap_or(0);
                let widest_rounding = numbers
                    .iter()
                    .map(|n| n.rounding(widest))
                    .fold(0.0, f64::max);
                crate::load::value::number::power_of_ten(finest).max(widest_rounding)
            };
            let relative = numbers.iter().map(|n| n.after(*first) * factor).collect();
            Some(Stamps {
                relative,
                resolution_s: resolution * factor,
                first_s: Some(first.value * factor),
            })
        }
        TimeCells::Moment(at) => {
            let mut time = RowTime::default();
            let mut relative = Vec::new();
            let mut resolution_s = f64::INFINITY;
            for row in rows {
                let Some(Cell::Clock(moment) | Cell::Stamp(moment)) = row.get(at.clock) else {
                    break;
                };
                let mut moment = *moment;
                if let Some(Cell::Date(day)) = at.date.and_then(|date| row.get(date)) {
                    moment.day = Some(*day);
                }
                if let Some(Cell::Number(number)) =
                    at.milliseconds.and_then(|column| row.get(column))
                {
                    moment.fraction += number.value * 1e-3;
                    moment.resolution = 1e-3;
                }
                resolution_s = resolution_s.min(moment.resolution);
                relative.push(time.of_moment(moment));
            }
            Some(Stamps {
                relative,
                resolution_s,
                first_s: None,
            })
        }
    }
}

/// The even grid of the first stamps; an error where there is none and nothing else tells the rate.
pub(crate) fn grid_of(
    stamps: &Stamps,
    stated: &Stated,
    options: &LoadOptions,
    first_line: u64,
) -> Result<Option<Grid>, Error> {
    let told = stated.rate_hz.is_some() || options.sample_rate_hz.is_some();
    let grid = Grid::from_stamps(&stamps.relative, stamps.resolution_s);
    match grid {
        Some(grid) if grid.step_s > 0.0 && grid.step_s.is_finite() => Ok(Some(grid)),
        _ if options.sample_rate_hz.is_some() => Ok(None),
        Some(grid) if grid.step_s < 0.0 => Err(ErrorKind::UnevenSampling.error(
            "the time runs backwards; sort the rows by time, or give --sample-rate to ignore the \
             time column",
        )
        .at_line(first_line + 1)),
        _ if told => Ok(None),
        None => Err(ErrorKind::TooShort.error("one row gives no sample rate; record more samples")
        .at_line(first_line)),
        Some(_) => Err(ErrorKind::NoSampleRate.error(
            "the time column does not advance; write it with more digits, or give \
             --sample-rate",
        )
        .at_line(first_line)),
    }
}

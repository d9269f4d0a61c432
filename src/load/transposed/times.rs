//! The row of times: rate, start and evenness.

use crate::load::text::dialect::Dialect;
use crate::load::text::head::Head;
use crate::load::time::grid::Grid;
use crate::load::time::row_time::Stamp;
use crate::load::time::tracker::Tracker;
use crate::load::transposed::long_row::LongRow;
use crate::load::unit;
use crate::load::value::number::power_of_ten;
use crate::{Error, ErrorKind};

/// Stamps that the grid of a row of times is laid out by.
const STAMPS_MOST: usize = 1 << 16;

/// What a row of times says.
pub(crate) struct Times {
    pub start_s: f64,
    pub grid: Grid,
    /// Largest distance from the even grid, share of a step, where it is to be told.
    pub unevenness: Option<f64>,
}

impl Times {
    /// Follows the stamps of a row to its end.
    pub fn of(row: &LongRow, head: &Head<'_>, dialect: Dialect) -> Result<Self, Error> {
        let unit = row.title.unit.as_deref().and_then(unit::time_unit);
        let factor = unit.unwrap_or(1.0);
        let numbers = row.decimals(head, dialect);
        let written = || numbers.clone().flatten();
        let first = written().next().ok_or_else(|| {
            ErrorKind::NoSampleRate
                .error("the row of times holds no number")
                .at_line(row.line)
        })?;
        let widest = written().map(|n| n.width()).max().unwrap_or(0);
        let stamps: Vec<f64> = written()
            .take(STAMPS_MOST)
            .map(|n| n.after(first) * factor)
            .collect();
        let resolution = if written().all(|n| n.is_aligned(first)) {
            power_of_ten(first.exponent)
        } else {
            written().map(|n| n.rounding(widest)).fold(0.0, f64::max)
        } * factor;
        let grid = Grid::from_stamps(&stamps, resolution)
            .filter(|grid| grid.step_s > 0.0)
            .ok_or_else(|| {
                ErrorKind::UnevenSampling
                    .error("the row of times does not rise; give --sample-rate to ignore it")
                    .at_line(row.line)
            })?;
        let mut tracker = Tracker::new(grid);
        for (frame, number) in numbers.enumerate() {
            let Some(number) = number else { continue };
            let stamp = Stamp {
                after_s: number.after(first) * factor,
                rounding_s: 0.0,
            };
            let here = |error: Error| {
                let column = (row.lead + frame) as u64 + 1;
                error.at_line(row.line).at_column(column)
            };
            let missing = tracker
                .accept(frame as u64, stamp, row.line)
                .map_err(here)?;
            if missing > 0 {
                return Err(here(ErrorKind::UnevenSampling.error(format!(
                        "{missing} stamps are missing here; fill the gap or give --sample-rate to ignore the times"
                    ),
                )));
            }
        }
        Ok(Self {
            start_s: first.value * factor,
            grid: tracker.refined(),
            unevenness: tracker.told_unevenness().map(|(share, _)| share),
        })
    }
}

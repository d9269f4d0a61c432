//! The times of the rows, one after the other.

use crate::load::time::cells::TimeCells;
use crate::load::unit;
use crate::load::value::cell::Cell;
use crate::load::value::clock::Moment;
use crate::load::value::number::{DOUBLE_STEP, Decimal, power_of_ten};

/// When a row was sampled.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Stamp {
    /// Seconds after the first row.
    pub after_s: f64,
    /// What its last digit stands for, beyond that of the first rows.
    pub rounding_s: f64,
}

/// The number of a time cell and its factor to seconds. Numbers with units of their own, which may differ
/// from row to row, come in seconds.
pub(crate) fn time_number(cell: &Cell, factor: f64) -> Option<(Decimal, f64)> {
    match cell {
        Cell::Number(number) => Some((*number, factor)),
        Cell::Quantity(number, text) => {
            let own = unit::time_unit(text)?;
            let power = own.log10().round();
            Some(if power <= 0.0 {
                (number.shifted(power as i32), 1.0)
            } else {
                (*number, own)
            })
        }
        _ => None,
    }
}

/// Reads the time cells of a record in order.
#[derive(Debug, Clone, Default)]
pub(crate) struct RowTime {
    first: Option<Decimal>,
    first_moment: Option<Moment>,
    /// Seconds added for the midnights passed.
    wraps_s: f64,
    last_s: f64,
    /// Largest mantissa: how many digits the column is written with.
    widest: u64,
    decade: Decade,
}

/// Between two powers of ten, numbers of one width are rounded alike.
#[derive(Debug, Clone, Copy, Default)]
struct Decade {
    /// Magnitudes from which on and below which the rounding holds.
    from: f64,
    below: f64,
    /// Widths below which it does.
    width_below: u64,
    rounding: f64,
}

impl Decade {
    /// That of a number, in a column whose longest number has the digits of `widest`.
    fn of(number: Decimal, widest: u64) -> Self {
        let magnitude = number.value.abs();
        let power = magnitude.log10().floor() as i32;
        let (from, below) = (power_of_ten(power), power_of_ten(power.saturating_add(1)));
        let rounding = number.rounding(widest);
        // Where a double is coarser than the last digit, its own step differs from number to number.
        let coarse = rounding < below * DOUBLE_STEP;
        Self {
            from: if coarse { f64::INFINITY } else { from },
            below,
            width_below: widest
                .checked_ilog10()
                .map_or(1, |digits| 10u64.saturating_pow(digits + 1)),
            rounding,
        }
    }

    #[inline]
    fn holds(&self, number: Decimal, widest: u64) -> bool {
        let magnitude = number.value.abs();
        magnitude >= self.from && magnitude < self.below && widest < self.width_below
    }
}

impl RowTime {
    /// The stamp of a time cell that is a number, times a factor to seconds.
    #[inline]
    pub fn of_number(&mut self, number: Decimal, factor: f64) -> Stamp {
        let Some(first) = self.first else {
            self.first = Some(number);
            self.widest = number.width();
            return Stamp::default();
        };
        self.widest = self.widest.max(number.width());
        if number.is_aligned(first) {
            // The last bit of the quotient does not matter here, the time of a division does.
            let difference = number.mantissa.wrapping_sub(first.mantissa) as f64;
            Stamp {
                after_s: difference * (power_of_ten(number.exponent) * factor),
                rounding_s: 0.0,
            }
        } else {
            if !self.decade.holds(number, self.widest) {
                self.decade = Decade::of(number, self.widest);
            }
            Stamp {
                after_s: number.after(first) * factor,
                rounding_s: self.decade.rounding * factor,
            }
        }
    }

    /// The first number and the seconds of one step in its last digit: stamps written with as many decimals
    /// are multiples of that.
    pub fn basis(&self, factor: f64) -> Option<(Decimal, f64)> {
        let first = self.first?;
        Some((first, power_of_ten(first.exponent) * factor))
    }

    /// Takes note of a number that was read.
    #[inline]
    pub fn widen(&mut self, number: Decimal) {
        self.widest = self.widest.max(number.width());
    }

    /// The stamp of a row of cells; the column at fault where there is none.
    pub fn of_cells(&mut self, time: TimeCells, cells: &[Option<Cell>]) -> Result<Stamp, usize> {
        let cell = |column: usize| cells.get(column).and_then(Option::as_ref);
        match time {
            TimeCells::Number { column, factor } => cell(column)
                .and_then(|cell| time_number(cell, factor))
                .map(|(number, factor)| self.of_number(number, factor))
                .ok_or(column),
            TimeCells::Moment(at) => {
                let mut moment = match cell(at.clock) {
                    Some(Cell::Clock(moment) | Cell::Stamp(moment)) => *moment,
                    _ => return Err(at.clock),
                };
                if let Some(date) = at.date {
                    match cell(date) {
                        Some(Cell::Date(day)) => moment.day = Some(*day),
                        _ => return Err(date),
                    }
                }
                if let Some(column) = at.milliseconds {
                    match cell(column) {
                        Some(Cell::Number(number)) => moment.fraction += number.value * 1e-3,
                        _ => return Err(column),
                    }
                }
                Ok(Stamp {
                    after_s: self.of_moment(moment),
                    rounding_s: 0.0,
                })
            }
        }
    }

    /// Seconds from the first moment to another; a clock without a date that falls back by more than
    /// half a day has passed midnight.
    pub fn of_moment(&mut self, moment: Moment) -> f64 {
        const DAY_S: f64 = 86_400.0;
        let first = *self.first_moment.get_or_insert(moment);
        let seconds = moment.seconds_after(first);
        match (first.day, moment.day) {
            (Some(from), Some(to)) => (to.saturating_sub(from)) as f64 * DAY_S + seconds,
            _ => {
                if seconds + self.wraps_s < self.last_s - DAY_S / 2.0 {
                    self.wraps_s += DAY_S;
                }
                self.last_s = seconds + self.wraps_s;
                self.last_s
            }
        }
    }
}

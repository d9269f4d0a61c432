//! A row that holds a channel.

use crate::Error;
use crate::load::shown::no_number;
use crate::load::text::dialect::Dialect;
use crate::load::text::head::{Head, Line};
use crate::load::unit;
use crate::load::value::cell::{self, Cell};
use crate::load::value::number::Decimal;
use crate::load::vocabulary::title::Title;

/// A row that holds a channel, or the times of all.
pub(crate) struct LongRow {
    pub place: usize,
    pub line: u64,
    pub title: Title,
    /// Cells of words in front of the numbers.
    pub lead: usize,
    /// NaN where missing, infinite beyond the range.
    pub values: Vec<f64>,
    pub missing: usize,
}

impl LongRow {
    /// Reads the row at a place among the lines.
    pub fn read(place: usize, line: &Line<'_>, dialect: Dialect) -> Result<Self, Error> {
        let mut row = Self {
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
                _ => return Err(no_number(text, line.number, column)),
            };
            row.values.push(value);
        }
        row.values.truncate(row.values.len() - trailing);
        row.missing -= trailing;
        Ok(row)
    }

    /// The numbers of a row of times with the digits they are written with.
    pub fn decimals<'a>(
        &self,
        head: &'a Head<'_>,
        dialect: Dialect,
    ) -> impl Iterator<Item = Option<Decimal>> + Clone + use<'a> {
        let text = head.lines[self.place].text.trim();
        dialect
            .cells(text)
            .skip(self.lead)
            .take(self.values.len())
            .map(move |text| match dialect.classify(&text) {
                Cell::Number(number) | Cell::Quantity(number, _) => Some(number),
                _ => None,
            })
    }

    /// Whether the numbers rise evenly.
    pub fn rises_evenly(&self) -> bool {
        let values = &self.values;
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

    /// Whether the numbers count the samples: by ones, without a unit.
    pub fn counts(&self) -> bool {
        self.title.unit.is_none() && self.values.windows(2).all(|pair| pair[1] - pair[0] == 1.0)
    }
}

//! Columns of a text table and what they are taken for.

use crate::load::table::kinds::Kind;
use crate::load::time::row_time::time_number;
use crate::load::unit;
use crate::load::value::cell::Cell;
use crate::load::value::number::Decimal;
use crate::load::vocabulary::title::Title;
use serde::Serialize;
use std::fmt;

/// What a column is taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Role {
    Time,
    Index,
    Signal,
    Logic,
    Label,
    Unit,
    Empty,
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

/// One column as it was understood.
#[derive(Debug, Clone)]
pub(crate) struct Column {
    pub kind: Kind,
    pub role: Role,
    pub title: Title,
    /// Unit written in a column of its own or behind the numbers.
    pub cell_unit: Option<String>,
    pub numbers: Vec<Option<Decimal>>,
}

pub(crate) fn columns_of(
    kinds: &[Kind],
    titles: Vec<Title>,
    rows: &[Vec<Cell>],
    texts: &[Vec<String>],
) -> Vec<Column> {
    kinds
        .iter()
        .zip(titles)
        .enumerate()
        .map(|(index, (kind, title))| {
            let numbers: Vec<Option<Decimal>> = rows
                .iter()
                .map(|row| match row.get(index) {
                    Some(Cell::Number(number)) => Some(*number),
                    Some(cell @ Cell::Quantity(number, _)) => {
                        time_number(cell, 1.0).map_or(Some(*number), |(number, _)| Some(number))
                    }
                    _ => None,
                })
                .collect();
            let beside = texts.get(index + 1).and_then(|texts| {
                let first = texts.first()?;
                (kinds.get(index + 1) == Some(&Kind::Text)
                    && unit::is_unit(first)
                    && texts.iter().all(|text| text == first))
                .then(|| first.clone())
            });
            Column {
                kind: *kind,
                role: match kind {
                    Kind::Empty => Role::Empty,
                    Kind::Text => Role::Label,
                    _ => Role::Signal,
                },
                title,
                cell_unit: if *kind == Kind::Number { beside } else { None },
                numbers,
            }
        })
        .collect()
}

impl Column {
    pub fn present(&self) -> impl Iterator<Item = &Decimal> {
        self.numbers.iter().flatten()
    }

    /// The numbers that are there.
    pub fn values(&self) -> Vec<f64> {
        self.present().map(|number| number.value).collect()
    }

    pub fn unit_text(&self) -> Option<&str> {
        self.title.unit.as_deref().or(self.cell_unit.as_deref())
    }

    pub fn is_integer(&self) -> bool {
        self.present()
            .all(|number| number.value.fract() == 0.0 && number.exponent >= 0)
    }

    /// Whether the numbers rise evenly: each within its rounding of a straight line.
    pub fn is_even(&self) -> bool {
        let values: Vec<Decimal> = self.numbers.iter().flatten().copied().collect();
        let (Some(first), Some(last)) = (values.first(), values.last()) else {
            return false;
        };
        let count = values.len();
        let step = (last.value - first.value) / (count.max(2) - 1) as f64;
        if count < 3 || step <= 0.0 {
            return false;
        }
        let widest = values.iter().map(Decimal::width).max().unwrap_or(0);
        let pairs = || values.windows(2).map(|pair| (pair[0].value, pair[1].value));
        let roundings = values.iter().map(|value| value.rounding(widest));
        let rounding = roundings.fold(0.0, f64::max);
        pairs().all(|(a, b)| a <= b)
            && pairs().filter(|(a, b)| a < b).count() >= 2
            && values.iter().enumerate().all(|(index, value)| {
                (value.value - first.value - index as f64 * step).abs()
                    <= rounding * 1.01 + step * 0.02
            })
    }

    /// Whether two columns of more than two numbers are equal row by row.
    pub fn equals(&self, other: &Self) -> bool {
        self.present().nth(2).is_some()
            && self.numbers.len() == other.numbers.len()
            && self
                .numbers
                .iter()
                .zip(&other.numbers)
                .all(|(a, b)| a.map(|number| number.value) == b.map(|number| number.value))
    }

    /// Whether the numbers count the rows: integers that rise by one and the same step.
    pub fn is_counter(&self) -> bool {
        let values = self.values();
        let mut steps = values.windows(2).map(|pair| pair[1] - pair[0]);
        let first = steps.clone().next();
        !values.is_empty()
            && values.iter().all(|value| value.fract() == 0.0)
            && steps.all(|step| step > 0.0 && Some(step) == first)
    }

    /// Whether the numbers are integers that never fall and mostly stay.
    pub fn is_stepped(&self) -> bool {
        let values = self.values();
        self.is_integer()
            && values.windows(2).all(|pair| pair[0] <= pair[1])
            && values.windows(2).filter(|pair| pair[0] == pair[1]).count() * 2 > values.len()
    }

    pub fn is_logic(&self) -> bool {
        self.unit_text().is_none()
            && self.present().count() >= 2
            && self
                .present()
                .all(|n| n.exponent == 0 && matches!(n.mantissa, 0 | 1) && n.length == 1)
    }
}

//! Columns of a text table and what they are taken for.

use super::LoadOptions;
use super::cell::Cell;
use super::fact::Fact;
use super::header::{self, Title};
use super::meaning::Meaning;
use super::number::Decimal;
use super::row_time::time_number;
use super::unit;

/// What a column holds, by its cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Number,
    Clock,
    Date,
    Stamp,
    Text,
    Empty,
}

/// What a column is taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Time,
    Index,
    Signal,
    Logic,
    Label,
    Unit,
    Empty,
}

impl Role {
    /// Its name in an explanation.
    pub fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Index => "index",
            Self::Signal => "signal",
            Self::Logic => "logic",
            Self::Label => "label",
            Self::Unit => "unit",
            Self::Empty => "empty",
        }
    }
}

/// One column as it was understood.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub kind: Kind,
    pub role: Role,
    pub title: Title,
    /// Unit written in a column of its own or behind the numbers.
    pub cell_unit: Option<String>,
    pub numbers: Vec<Option<Decimal>>,
}

pub(super) fn columns_of(
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

    pub fn unit_text(&self) -> Option<&str> {
        self.title.unit.as_deref().or(self.cell_unit.as_deref())
    }

    pub fn is_integer(&self) -> bool {
        self.present()
            .all(|number| number.value.fract() == 0.0 && number.exponent >= 0)
    }

    /// Whether the numbers rise evenly: each within its rounding of a straight line.
    fn is_even(&self) -> bool {
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
        let mut rounding = 0.0f64;
        let mut risen = 0;
        for pair in values.windows(2) {
            if pair[1].value < pair[0].value {
                return false;
            }
            risen += usize::from(pair[1].value > pair[0].value);
        }
        for value in &values {
            rounding = rounding.max(value.rounding(widest));
        }
        risen >= 2
            && values.iter().enumerate().all(|(index, value)| {
                (value.value - first.value - index as f64 * step).abs()
                    <= rounding * 1.01 + step * 0.02
            })
    }

    /// Whether two columns of more than two numbers are equal row by row.
    fn equals(&self, other: &Self) -> bool {
        self.present().nth(2).is_some()
            && self.numbers.len() == other.numbers.len()
            && self
                .numbers
                .iter()
                .zip(&other.numbers)
                .all(|(a, b)| a.map(|number| number.value) == b.map(|number| number.value))
    }

    /// Whether the numbers count the rows: integers that rise by one and the same step.
    fn is_counter(&self) -> bool {
        let mut previous: Option<f64> = None;
        let mut step: Option<f64> = None;
        for number in self.present() {
            if number.value.fract() != 0.0 {
                return false;
            }
            if let Some(previous) = previous {
                let difference = number.value - previous;
                if difference <= 0.0 || step.is_some_and(|step| step != difference) {
                    return false;
                }
                step = Some(difference);
            }
            previous = Some(number.value);
        }
        step.is_some() || self.present().count() == 1
    }

    /// Whether the numbers are integers that never fall and mostly stay.
    fn is_stepped(&self) -> bool {
        let values: Vec<f64> = self.present().map(|number| number.value).collect();
        self.is_integer()
            && values.windows(2).all(|pair| pair[0] <= pair[1])
            && values.windows(2).filter(|pair| pair[0] == pair[1]).count() * 2 > values.len()
    }

    fn is_logic(&self) -> bool {
        self.unit_text().is_none()
            && self.present().count() >= 2
            && self
                .present()
                .all(|n| n.exponent == 0 && matches!(n.mantissa, 0 | 1) && n.length == 1)
    }
}

/// Decides which columns are time bases, indices, logic channels and signals.
pub(super) fn assign_roles(
    columns: &mut [Column],
    rows: &[Vec<Cell>],
    facts: &[(Meaning, Fact)],
    options: &LoadOptions,
) {
    let numeric = columns.iter().filter(|c| c.kind == Kind::Number).count();
    let has_names = columns
        .iter()
        .any(|c| !c.title.name.is_empty() || c.title.unit.is_some());
    for column in columns.iter_mut() {
        match column.kind {
            Kind::Clock | Kind::Date | Kind::Stamp => column.role = Role::Time,
            Kind::Text
                if column.title.name.eq_ignore_ascii_case("unit")
                    || column.title.name.eq_ignore_ascii_case("units") =>
            {
                column.role = Role::Unit;
            }
            _ => {}
        }
    }
    let moments = columns
        .iter()
        .any(|c| matches!(c.kind, Kind::Clock | Kind::Stamp));
    let value_unit = |column: &Column| {
        column
            .unit_text()
            .is_some_and(|u| unit::value_unit(u).is_some())
    };
    let others = numeric > 1 || moments;
    for index in 0..columns.len() {
        let column = &columns[index];
        if column.kind != Kind::Number || value_unit(column) {
            continue;
        }
        let milliseconds = moments
            && index > 0
            && columns[index - 1].role == Role::Time
            && matches!(
                header::words(&column.title.name).concat().as_str(),
                "ms" | "msec" | "millisecond" | "milliseconds" | "millis"
            );
        let named_time = header::says_time(&column.title)
            || column
                .cell_unit
                .as_deref()
                .is_some_and(|u| unit::time_unit(u).is_some());
        let named_index = header::says_index(&column.title);
        let role = if header::says_record(&column.title) && column.is_stepped() {
            Some(Role::Label)
        } else if milliseconds {
            Some(Role::Time)
        } else if named_index && (column.is_counter()) && others {
            // Named `x` or `t` with a time unit it is a time base all the same.
            if named_time && column.title.unit.is_some() {
                Some(Role::Time)
            } else {
                Some(Role::Index)
            }
        } else if named_time {
            Some(Role::Time)
        } else {
            None
        };
        if let Some(role) = role {
            columns[index].role = role;
        }
    }
    let has_time = |columns: &[Column]| columns.iter().any(|c| c.role == Role::Time);
    if !has_time(columns) && numeric > 1 {
        // No name says so: a column that rises evenly beside others is a time base, one that
        // counts by ones an index.
        let mut order: Vec<usize> = (0..columns.len()).collect();
        if has_names {
            order.truncate(
                1 + columns
                    .iter()
                    .position(|c| c.kind == Kind::Number)
                    .unwrap_or(0),
            );
        }
        let mut taken = false;
        let mut left = columns
            .iter()
            .filter(|c| c.kind == Kind::Number && c.role == Role::Signal)
            .count();
        for index in order {
            let column = &columns[index];
            if column.kind != Kind::Number
                || column.role != Role::Signal
                || value_unit(column)
                || !column.is_even()
            {
                continue;
            }
            if left < 2 {
                break;
            }
            left -= usize::from(!taken || column.is_counter());
            if column.is_counter() && is_by_ones(column) {
                columns[index].role = Role::Index;
            } else if !taken {
                columns[index].role = Role::Time;
                taken = true;
            }
        }
    }
    // A column equal to a time base is one as well.
    for index in 0..columns.len() {
        let twin = columns[index].role == Role::Signal
            && columns[index].kind == Kind::Number
            && !value_unit(&columns[index])
            && columns.iter().any(|time| {
                time.role == Role::Time && time.kind == Kind::Number && time.equals(&columns[index])
            });
        if twin && columns[index + 1..].iter().any(|c| c.role == Role::Signal) {
            columns[index].role = Role::Time;
        }
    }
    // A `time` without unit that counts by ones is an index where something else tells the rate.
    let rate_told = options.sample_rate_hz.is_some()
        || facts
            .iter()
            .any(|(meaning, _)| matches!(meaning, Meaning::SampleRate | Meaning::SampleInterval));
    for column in columns.iter_mut() {
        if column.role == Role::Time
            && column.kind == Kind::Number
            && column.title.unit.is_none()
            && rate_told
            && column.is_counter()
            && is_by_ones(column)
            && !facts
                .iter()
                .any(|(meaning, _)| *meaning == Meaning::TimeUnit)
        {
            column.role = Role::Index;
        }
    }
    // A column that repeats a setting in every row (`Range`) is no signal.
    for column in columns.iter_mut() {
        let setting = matches!(
            Meaning::of(&column.title.name),
            Some(Meaning::FullScale | Meaning::ProbeFactor | Meaning::SampleRate)
        );
        let constant = column
            .present()
            .zip(column.present().skip(1))
            .all(|(a, b)| a.value == b.value);
        if column.role == Role::Signal && setting && constant && rows.len() > 2 {
            column.role = Role::Label;
        }
    }
    let analog = columns
        .iter()
        .filter(|c| c.kind == Kind::Number && c.role == Role::Signal && !c.is_logic())
        .count();
    if analog > 0 && rows.len() >= 2 {
        for column in columns.iter_mut() {
            if column.kind == Kind::Number && column.role == Role::Signal && column.is_logic() {
                column.role = Role::Logic;
            }
        }
    }
    for index in 1..columns.len() {
        if columns[index - 1].cell_unit.is_some() {
            columns[index].role = Role::Unit;
        }
    }
    // A column without any number under a name that declares the time base (`Start`, `Increment`).
    for column in columns.iter_mut() {
        if column.role == Role::Signal
            && column.present().count() <= 1
            && rows.len() > 2
            && matches!(
                Meaning::of(&column.title.name),
                Some(Meaning::StartTime | Meaning::SampleInterval)
            )
        {
            column.role = Role::Empty;
        }
    }
}

pub(super) fn is_by_ones(column: &Column) -> bool {
    let mut numbers = column.present();
    match (numbers.next(), numbers.next()) {
        (Some(a), Some(b)) => b.value - a.value == 1.0,
        _ => true,
    }
}

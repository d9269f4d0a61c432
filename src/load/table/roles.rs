//! Which columns are time bases, indices, logic channels, labels and signals.

use crate::load::options::LoadOptions;
use crate::load::preamble::fact::Fact;
use crate::load::table::columns::{Column, Role};
use crate::load::table::kinds::Kind;
use crate::load::table::time_claims;
use crate::load::unit;
use crate::load::value::cell::Cell;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::words;

/// Decides which columns are time bases, indices, logic channels and signals.
pub(crate) fn assign_roles(
    columns: &mut [Column],
    rows: &[Vec<Cell>],
    facts: &[(Meaning, Fact)],
    options: &LoadOptions,
) {
    let has_names = columns
        .iter()
        .any(|c| !c.title.name.is_empty() || c.title.unit.is_some());
    times_by_kind(columns);
    roles_by_name(columns);
    time_claims::weigh(columns);
    times_by_numbers(columns, has_names);
    twins_of_times(columns);
    let means = |wanted: &[Meaning]| facts.iter().any(|(meaning, _)| wanted.contains(meaning));
    let rate_told =
        options.sample_rate_hz.is_some() || means(&[Meaning::SampleRate, Meaning::SampleInterval]);
    if rate_told && !means(&[Meaning::TimeUnit]) {
        counters_below_a_rate(columns);
    }
    if rows.len() > 2 {
        repeated_settings(columns);
    }
    if rows.len() >= 2 {
        logic_levels(columns);
    }
    for index in 1..columns.len() {
        if columns[index - 1].cell_unit.is_some() {
            columns[index].role = Role::Unit;
        }
    }
    if rows.len() > 2 {
        lone_declarations(columns);
    }
}

fn times_by_kind(columns: &mut [Column]) {
    for column in columns {
        let name = &column.title.name;
        match column.kind {
            Kind::Clock | Kind::Date | Kind::Stamp => column.role = Role::Time,
            Kind::Text
                if name.eq_ignore_ascii_case("unit") || name.eq_ignore_ascii_case("units") =>
            {
                column.role = Role::Unit;
            }
            _ => {}
        }
    }
}

/// Whether the values of a column have a unit of their own, so that they are no times.
fn has_value_unit(column: &Column) -> bool {
    let unit = column.unit_text().and_then(unit::value_unit);
    unit.is_some()
}

/// Gives columns of one role another, where they are so.
fn turn(columns: &mut [Column], from: Role, to: Role, so: impl Fn(&Column) -> bool) {
    for column in columns {
        if column.role == from && so(column) {
            column.role = to;
        }
    }
}

fn count_of(columns: &[Column], wanted: impl Fn(&Column) -> bool) -> usize {
    columns.iter().filter(|column| wanted(column)).count()
}

fn is_numeric(column: &Column) -> bool {
    column.kind == Kind::Number
}

fn is_numeric_signal(column: &Column) -> bool {
    is_numeric(column) && column.role == Role::Signal
}

/// Time bases, indices and record numbers whose names say so.
fn roles_by_name(columns: &mut [Column]) {
    let moments = columns
        .iter()
        .any(|c| matches!(c.kind, Kind::Clock | Kind::Stamp));
    let others = count_of(columns, is_numeric) > 1 || moments;
    for index in 0..columns.len() {
        let column = &columns[index];
        if !is_numeric(column) || has_value_unit(column) {
            continue;
        }
        let milliseconds = moments
            && index > 0
            && columns[index - 1].role == Role::Time
            && matches!(
                words(&column.title.name).concat().as_str(),
                "ms" | "msec" | "millisecond" | "milliseconds" | "millis"
            );
        let cell_unit = column.cell_unit.as_deref();
        let named_time = column.title.says_time() || cell_unit.and_then(unit::time_unit).is_some();
        let role = if column.title.says_record() && column.is_stepped() {
            Role::Label
        } else if milliseconds {
            Role::Time
        } else if column.title.says_index() && column.is_counter() && others {
            // Named `x` or `t` with a time unit it is a time base all the same.
            if named_time && column.title.unit.is_some() {
                Role::Time
            } else {
                Role::Index
            }
        } else if named_time {
            Role::Time
        } else {
            continue;
        };
        columns[index].role = role;
    }
}

/// Where no name says so: a column that rises evenly beside others is a time base, one that counts by ones
/// an index.
fn times_by_numbers(columns: &mut [Column], has_names: bool) {
    let has_time = columns.iter().any(|c| c.role == Role::Time);
    if has_time || count_of(columns, is_numeric) < 2 {
        return;
    }
    let first = columns.iter().position(is_numeric).unwrap_or(0);
    let looked_at = if has_names { first + 1 } else { columns.len() };
    let mut taken = false;
    let mut left = count_of(columns, is_numeric_signal);
    for column in &mut columns[..looked_at] {
        if !is_numeric_signal(column)
            || has_value_unit(column)
            || column.title.says_frequency()
            || !column.is_even()
        {
            continue;
        }
        if left < 2 {
            break;
        }
        left -= usize::from(!taken || column.is_counter());
        if column.is_counter() && is_by_ones(column) {
            column.role = Role::Index;
        } else if !taken {
            column.role = Role::Time;
            taken = true;
        }
    }
}

/// A column equal to a time base is one as well.
fn twins_of_times(columns: &mut [Column]) {
    let times: Vec<usize> = (0..columns.len())
        .filter(|index| columns[*index].role == Role::Time && is_numeric(&columns[*index]))
        .collect();
    let last_signal = columns.iter().rposition(|c| c.role == Role::Signal);
    for index in 0..last_signal.unwrap_or(0) {
        let column = &columns[index];
        let twin = is_numeric_signal(column)
            && !has_value_unit(column)
            && times.iter().any(|time| columns[*time].equals(column));
        if twin {
            columns[index].role = Role::Time;
        }
    }
}

/// A `time` without unit that counts by ones is an index where something else tells the rate.
fn counters_below_a_rate(columns: &mut [Column]) {
    turn(columns, Role::Time, Role::Index, |column| {
        is_numeric(column)
            && column.title.unit.is_none()
            && column.is_counter()
            && is_by_ones(column)
    });
}

/// A column that repeats a setting in every row (`Range`) is no signal.
fn repeated_settings(columns: &mut [Column]) {
    turn(columns, Role::Signal, Role::Label, |column| {
        let setting = matches!(
            Meaning::of(&column.title.name),
            Some(Meaning::FullScale | Meaning::ProbeFactor | Meaning::SampleRate)
        );
        let mut pairs = column.present().zip(column.present().skip(1));
        setting && pairs.all(|(a, b)| a.value == b.value)
    });
}

/// Columns of zeros and ones beside others are logic channels.
fn logic_levels(columns: &mut [Column]) {
    if count_of(columns, |c| is_numeric_signal(c) && !c.is_logic()) == 0 {
        return;
    }
    turn(columns, Role::Signal, Role::Logic, |column| {
        is_numeric(column) && column.is_logic()
    });
}

/// A column without any number under a name that declares the time base (`Start`, `Increment`).
fn lone_declarations(columns: &mut [Column]) {
    turn(columns, Role::Signal, Role::Empty, |column| {
        let meaning = Meaning::of(&column.title.name);
        column.present().count() <= 1
            && matches!(meaning, Some(Meaning::StartTime | Meaning::SampleInterval))
    });
}

fn is_by_ones(column: &Column) -> bool {
    let mut numbers = column.present();
    match (numbers.next(), numbers.next()) {
        (Some(a), Some(b)) => b.value - a.value == 1.0,
        _ => true,
    }
}

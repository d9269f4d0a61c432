//! Which columns are time bases, indices, logic channels, labels and signals.

use crate::load::options::LoadOptions;
use crate::load::preamble::fact::Fact;
use crate::load::table::columns::{Column, Role};
use crate::load::table::kinds::Kind;
use crate::load::table::time_claims;
use crate::load::value::cell::Cell;
use crate::load::value::unit;
use crate::load::vocabulary::meaning::Meaning;
use crate::load::vocabulary::title::words;

/// Decides which columns are time bases, indices, logic channels and signals.
pub(crate) fn assign_roles(
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
                words(&column.title.name).concat().as_str(),
                "ms" | "msec" | "millisecond" | "milliseconds" | "millis"
            );
        let named_time = column.title.says_time()
            || column
                .cell_unit
                .as_deref()
                .is_some_and(|u| unit::time_unit(u).is_some());
        let named_index = column.title.says_index();
        let role = if column.title.says_record() && column.is_stepped() {
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
    time_claims::weigh(columns);
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
                columns[index].role = Role::Index;
            } else if !taken {
                columns[index].role = Role::Time;
                taken = true;
            }
        }
    }
    // A column equal to a time base is one as well.
    let is_time = |c: &Column| c.role == Role::Time && c.kind == Kind::Number;
    let times: Vec<usize> = (0..columns.len())
        .filter(|index| is_time(&columns[*index]))
        .collect();
    let last_signal = columns.iter().rposition(|c| c.role == Role::Signal);
    for index in 0..columns.len() {
        let twin = columns[index].role == Role::Signal
            && columns[index].kind == Kind::Number
            && !value_unit(&columns[index])
            && times
                .iter()
                .any(|time| columns[*time].equals(&columns[index]));
        if twin && last_signal.is_some_and(|last| last > index) {
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

pub(crate) fn is_by_ones(column: &Column) -> bool {
    let mut numbers = column.present();
    match (numbers.next(), numbers.next()) {
        (Some(a), Some(b)) => b.value - a.value == 1.0,
        _ => true,
    }
}

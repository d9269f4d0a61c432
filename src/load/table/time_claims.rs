//! Columns whose names claim to be times, weighed by their numbers.

use crate::load::table::columns::{Column, Role};
use crate::load::table::kinds::Kind;
use crate::load::unit;
use crate::load::vocabulary::title::words;

/// Share of the steps that may fall in a column of times: stamps out of order are told as such, a signal
/// falls in every other row.
const FALLS_MOST: f64 = 0.25;

/// Share of what a column of times rises that it keeps; a sawtooth loses it again.
const KEPT_LEAST: f64 = 0.8;

/// How sure a name is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Claim {
    /// A word for time, or a clock.
    Sure,
    /// A unit of time in its own place.
    ByUnit,
    /// `t`.
    Letter,
    /// `x`, or a last word that may be a unit.
    Vague,
}

fn claim(column: &Column) -> Option<Claim> {
    if column.role != Role::Time {
        return None;
    }
    let words = words(&column.title.name);
    Some(match words.as_slice() {
        _ if column.kind != Kind::Number => Claim::Sure,
        [word] if word == "t" && !column.title.loose_unit => Claim::Letter,
        _ if column.title.may_be_signal() => Claim::Vague,
        _ if column.title.names_a_time() => Claim::Sure,
        _ if column
            .unit_text()
            .is_some_and(|text| unit::time_unit(text).is_some()) =>
        {
            Claim::ByUnit
        }
        _ => Claim::Sure,
    })
}

/// Makes signals again of columns whose names could be those of times but whose numbers are not, or that
/// stand beside a better time base.
pub(crate) fn weigh(columns: &mut [Column]) {
    let claims: Vec<Option<Claim>> = columns.iter().map(claim).collect();
    let runs: Vec<bool> = columns
        .iter()
        .zip(&claims)
        .map(|(column, claim)| claim.is_some() && runs_on(column))
        .collect();
    let sound = |wanted: Claim| {
        claims
            .iter()
            .zip(&runs)
            .position(|(claim, runs)| *claim == Some(wanted) && (*runs || wanted == Claim::Sure))
    };
    let sure = sound(Claim::Sure).or_else(|| sound(Claim::ByUnit));
    let best = sure.or_else(|| sound(Claim::Letter));
    let vague = sound(Claim::Vague);
    let name_of = |index: usize| columns[index].title.name.to_lowercase();
    let demoted: Vec<usize> = (0..columns.len())
        .filter(|index| match claims[*index] {
            None | Some(Claim::Sure) => false,
            Some(Claim::ByUnit) => !runs[*index] && sure.is_some_and(|sure| sure != *index),
            Some(Claim::Letter) => falls_often(&columns[*index]) || !runs[*index] && sure.is_some(),
            Some(Claim::Vague) => {
                // Pairs of columns with one name for all their times.
                let paired = vague.is_some_and(|first| {
                    first == *index
                        || name_of(first) == name_of(*index)
                            && columns
                                .get(*index + 1)
                                .is_some_and(|next| next.role == Role::Signal)
                });
                !runs[*index] || best.is_some() || !paired
            }
        })
        .collect();
    for index in demoted {
        let column = &mut columns[index];
        column.role = Role::Signal;
        if column.title.loose_unit {
            column.title.unit = None;
        }
    }
}

/// Whether the numbers rise, most of them by about the same step and without falling back, but for one place
/// where they may begin again; what rows of two or fewer cannot tell.
fn runs_on(column: &Column) -> bool {
    let values = column.values();
    let (Some(first), Some(last)) = (values.first(), values.last()) else {
        return false;
    };
    if values.len() < 3 {
        return values.windows(2).all(|pair| pair[0] < pair[1]);
    }
    let mut risen: Vec<f64> = values
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| *step > 0.0)
        .collect();
    let falls = values.windows(2).filter(|pair| pair[1] < pair[0]).count();
    let kept = last - first >= KEPT_LEAST * risen.iter().sum::<f64>();
    if risen.is_empty() || !kept && falls > 1 {
        return false;
    }
    risen.sort_by(f64::total_cmp);
    let middle = risen[risen.len() / 2];
    let alike = risen
        .iter()
        .filter(|step| (**step - middle).abs() <= 0.5 * middle)
        .count();
    alike * 4 >= risen.len() * 3
}

/// Whether the numbers go up and down as no clock does.
fn falls_often(column: &Column) -> bool {
    let values = column.values();
    let falls = values.windows(2).filter(|pair| pair[1] < pair[0]).count();
    let falling = falls as f64 / (values.len().max(2) - 1) as f64;
    falling > FALLS_MOST && falling < 1.0 - FALLS_MOST / 2.0
}

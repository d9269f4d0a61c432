//! The single captures behind the figures.

use super::picture::Picture;
use super::shown::{not_in_it, remedies};
use crate::capture::Condition;
use crate::comparison::Comparison;
use crate::quantity::{Figure, Quantity};
use crate::report::plot::{CaptureGroup, CaptureRow, Role, Trace, in_order, scatter};
use crate::session::SessionResult;
use crate::si::percent;

/// So many captures are shown in their order.
const MANY: usize = 12;

const FIGURES: [(Quantity, &str); 3] = [
    (Quantity::HumRms, "hum"),
    (Quantity::DcOffset, "offset"),
    (Quantity::NoiseRms, "noise"),
];

pub(super) fn scatter_pictures(result: &SessionResult) -> Vec<Picture> {
    let confidence = result.session.confidence;
    let level = percent(confidence);
    let rows = rows(result);
    let told = told_apart(&rows);
    let roles = |rows: &[CaptureRow]| {
        let groups = rows.iter().flat_map(|row| row.groups.clone());
        let drawn = groups.filter(|group| group.data.is_some());
        drawn.map(|group| group.role).collect::<Vec<Role>>()
    };
    let scattered = scatter(&told, confidence).map(|plot| {
        let unresolved = unresolved(&rows, &told);
        Picture::new(
            plot,
            format!(
                "How far each capture lies from the mean of its condition, in percent of that mean; bars are the captures' own {level} intervals, the band that of the mean, which the tables give.{unresolved}{}",
                not_in_it(result, roles(&told), |_| "no figure of it stands above the noise")
            ),
        )
    });
    let measured = result.captures.iter().filter(|c| c.outcome.is_ok()).count();
    let ordered = (measured >= MANY)
        .then(|| in_order(&rows, confidence))
        .flatten();
    let ordered = ordered.map(|plot| {
        Picture::new(
            plot,
            format!(
                "The same captures as they were read, numbered as in the session: what drifts with the hour shows here. Bars are {level} intervals; a hollow marker is not resolved above the noise.{}",
                not_in_it(result, roles(&rows), |_| "none of its captures could be measured")
            ),
        )
    });
    scattered.into_iter().chain(ordered).collect()
}

/// All captures of every condition, a row a figure.
fn rows(result: &SessionResult) -> Vec<CaptureRow> {
    let common = result.comparison();
    let unit = super::super::tables::unit_of(result);
    FIGURES
        .into_iter()
        .map(|(quantity, figure)| {
            let group = |condition, remedy: Option<&str>, comparison: Option<&Comparison>| {
                group(result, quantity, (condition, remedy), comparison)
            };
            let mut groups = vec![
                Trace::new(
                    Role::Baseline,
                    "baseline",
                    group(Condition::Baseline, None, common),
                ),
                Trace::new(
                    Role::Looped,
                    "looped",
                    group(Condition::Looped, None, common),
                ),
            ];
            groups.extend(
                remedies(result)
                    .zip(&result.remedies)
                    .map(|((role, name), remedy)| {
                        let own = group(Condition::Isolated, Some(name), Some(&remedy.comparison));
                        Trace::new(role, name, own)
                    }),
            );
            CaptureRow {
                figure,
                unit: quantity.unit(unit).to_string(),
                signed: quantity == Quantity::DcOffset,
                groups,
            }
        })
        .collect()
}

fn group(
    result: &SessionResult,
    quantity: Quantity,
    (condition, remedy): (Condition, Option<&str>),
    comparison: Option<&Comparison>,
) -> Option<CaptureGroup> {
    let mean = *comparison?.quantity(quantity)?.reading(condition)?;
    let of_condition = |capture: &&(usize, &crate::session::CaptureOutcome)| {
        let (_, capture) = capture;
        capture.entry.condition == condition
            && (condition != Condition::Isolated || capture.remedy.as_deref() == remedy)
    };
    let numbered: Vec<_> = (1..).zip(&result.captures).collect();
    let captures: Vec<_> = numbered
        .iter()
        .filter(of_condition)
        .filter_map(|(number, capture)| {
            let measurement = capture.outcome.as_ref().ok()?;
            match quantity.of(measurement) {
                Figure::Estimate(estimate) => Some((*number, estimate)),
                _ => None,
            }
        })
        .collect();
    (!captures.is_empty()).then_some(CaptureGroup { mean, captures })
}

/// The rows without groups whose mean is not resolved: a part of it has no meaning.
fn told_apart(rows: &[CaptureRow]) -> Vec<CaptureRow> {
    let mut rows = rows.to_vec();
    for trace in rows.iter_mut().flat_map(|row| &mut row.groups) {
        trace
            .data
            .take_if(|group| group.mean.low <= 0.0 && group.mean.high >= 0.0);
    }
    rows
}

/// Which groups have no part of their mean.
fn unresolved(all: &[CaptureRow], told: &[CaptureRow]) -> String {
    let left: Vec<String> = all
        .iter()
        .zip(told)
        .flat_map(|(all, told)| {
            let pairs = all.groups.iter().zip(&told.groups);
            pairs
                .filter(|(all, told)| all.data.is_some() && told.data.is_none())
                .map(|(group, _)| format!("{} of {}", all.figure, group.label))
        })
        .collect();
    if left.is_empty() {
        String::new()
    } else {
        format!(
            " Left out, because 0 lies within the interval of the mean: {}.",
            left.join(", ")
        )
    }
}
